"""Memory stays flat: 1,000 stand-ins here, and a short run of the real counting.

The long run with the trained net, 1,000 photos, is ``python tests/tree/soak.py FOLDER``.
"""

import os
import statistics
import subprocess
import sys
from pathlib import Path

import pytest
from soak import make_photos, soak

HERE = Path(__file__).parent
CODE = """
import sys
from pathlib import Path
from batch_work import measure
from fruitcount.tree.checkpoint import ProgressLog
from fruitcount.tree.run import BatchSettings
from fruitcount.tree.photos import find_photos
from fruitcount.tree.run import run_batch

def resident_kb():
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1])

def tell(progress):
    if progress.done_n in (100, 1000):
        print(resident_kb(), flush=True)

if __name__ == "__main__":
    ledger = ProgressLog(sys.argv[2], "k")
    how = BatchSettings(engine=sys.argv[3])
    run_batch(find_photos(sys.argv[1]), measure, progress_log=ledger, settings=how, progress=tell)
    ledger.close()
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs /proc")
def test_flat_memory(tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    for i in range(1000):
        (folder / f"{i:04}.jpg").write_bytes(b"%04d" % i)
    script = tmp_path / "run.py"
    script.write_text(CODE)
    path = os.pathsep.join([str(HERE), str(HERE.parents[1])])
    done = subprocess.run(
        [sys.executable, str(script), str(folder), str(tmp_path / "r.jsonl"), "processes"],
        env={**os.environ, "PYTHONPATH": path}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    early, late = map(int, done.stdout.split())
    assert late < 1.05 * early


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs /proc")
def test_flat_memory_with_the_trained_net(tmp_path):
    """What the worker holds between photos 20 to 40 is within 5 % of photos 4 to 20."""
    make_photos(tmp_path / "photos", 40, megapixels=(0.4, 0.4), samples_only=True)
    levels = list(soak(tmp_path / "photos", workers=1, every=4, source="trained"))
    assert [x.done_n for x in levels] == list(range(4, 44, 4))
    here = [x.here_kb for x in levels]
    worker = [x.workers_kb[0] for x in levels]
    for held in (here, worker):
        assert statistics.median(held[5:]) < 1.05 * statistics.median(held[:5]), held
