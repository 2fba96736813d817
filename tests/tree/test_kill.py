"""Killed with -9 at random moments: no photo lost, none written twice.

``FRUITCOUNT_KILLS`` sets how many kills each case gets (100 takes some minutes); by default 10
for one process and 4 for worker processes, whose start takes most of the time.
"""

import collections
import hashlib
import json
import os
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from fruitcount.tree.checkpoint import ProgressLog
from fruitcount.tree.photos import find_photos

HERE = Path(__file__).parent


def _start(folder, where, engine):
    path = os.pathsep.join([str(HERE), str(HERE.parents[1]), os.environ.get("PYTHONPATH", "")])
    return subprocess.Popen(
        [sys.executable, str(HERE / "kill_me.py"), str(folder), str(where), engine],
        env={**os.environ, "PYTHONPATH": path}, stdout=subprocess.PIPE,
    )  # fmt: skip


def _photos(folder, first, count):
    for i in range(first, first + count):
        (folder / f"{i:05}.jpg").write_bytes(b"%05d" % i)


def _rows(where):
    progress_log = ProgressLog(where, "key")
    rows = progress_log.rows()
    progress_log.close()
    return rows


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
@pytest.mark.parametrize(
    ("name", "engine", "few"), [("rows.jsonl", "processes", 4), ("rows.jsonl", "serial", 10)]
)
def test_kill_and_go_on(tmp_path, name, engine, few):
    kills_n = int(os.environ.get("FRUITCOUNT_KILLS", few))
    rng = random.Random(6)
    folder = tmp_path / "photos"
    folder.mkdir()
    _photos(folder, 0, kills_n * 12 + 20)
    where = tmp_path / name
    moments: list[int] = []
    while len(moments) < kills_n:
        run = _start(folder, where, engine)
        # let it get into its work, then strike anywhere between two rows
        run.stdout.read(rng.randrange(1, 10))
        time.sleep(rng.uniform(0.0, 0.01))
        ended = run.poll() is not None
        run.kill()
        run.stdout.close()
        run.wait()
        rows = _rows(where)
        if ended:  # it was quicker than the blow: give it more to do
            _photos(folder, len(rows), 100)
        else:
            moments.append(len(rows))
    run = _start(folder, where, engine)
    run.communicate(timeout=300)
    assert run.returncode == 0
    rows = _rows(where)
    files = find_photos(folder)
    often = collections.Counter(row["sha256"] for row in rows)
    assert len(often) == len(rows) == len(files)
    assert set(often) == {hashlib.sha256(f.read_bytes()).hexdigest() for f in files}
    assert all(row["ok"] and row["count_n"] == 5 for row in rows)
    assert moments == sorted(moments)  # what was written stays written
    assert 0 < moments[0] <= moments[-1] < len(files), "no kill hit a running batch"
    print(json.dumps({"kills": kills_n, "rows after each kill": moments}))
