"""Memory stays flat from the 100th photo to the 1,000th."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
CODE = """
import sys
from pathlib import Path
from batch_work import measure
from fruitcount.batch import BatchSettings, FileLedger, find_photos, run_batch

def resident_kb():
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1])

def tell(progress):
    if progress.done_n in (100, 1000):
        print(resident_kb(), flush=True)

if __name__ == "__main__":
    ledger = FileLedger(sys.argv[2], "k")
    how = BatchSettings(engine=sys.argv[3])
    run_batch(find_photos(sys.argv[1]), measure, ledger=ledger, settings=how, progress=tell)
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
