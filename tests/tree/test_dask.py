"""The same batch on a Dask scheduler with two worker processes on loopback."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from batch_work import measure

from fruitcount.errors import BadInputError
from fruitcount.tree.checkpoint import ProgressLog
from fruitcount.tree.photos import find_photos
from fruitcount.tree.run import BatchSettings, run_batch

HERE = Path(__file__).parent
pytest.importorskip("distributed", reason="the cluster extra is not installed")


@pytest.fixture
def scheduler(tmp_path):
    path = os.pathsep.join([str(HERE), str(HERE.parents[1])])
    env = {**os.environ, "PYTHONPATH": path}
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": tmp_path}
    info = tmp_path / "scheduler.json"
    first = [sys.executable, "-m", "distributed.cli.dask_scheduler"]
    first += ["--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(info)]
    running = [subprocess.Popen(first, env=env, **quiet)]
    for _ in range(300):
        if info.exists() and info.stat().st_size:
            break
        time.sleep(0.1)
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", "--scheduler-file", str(info)]
    worker += ["--nthreads", "1", "--no-dashboard", "--no-nanny", "--host", "127.0.0.1"]
    running += [subprocess.Popen(worker, env=env, **quiet) for _ in range(2)]
    import json

    yield json.loads(info.read_text())["address"]
    for process in reversed(running):
        process.terminate()
        process.wait(20)


@pytest.mark.filterwarnings("ignore")
def test_two_workers(tmp_path, scheduler):
    folder = tmp_path / "photos"
    folder.mkdir()
    for i in range(40):
        (folder / f"{i:02}.jpg").write_bytes(b"x" * (i + 1))
    (folder / "bad.jpg").write_bytes(b"broken")
    from distributed import Client

    with Client(scheduler) as client:
        client.wait_for_workers(2, timeout=60)
    rows = {}
    for engine, address in (("dask", scheduler), ("serial", "")):
        progress_log = ProgressLog(tmp_path / f"{engine}.jsonl", "k")
        how = BatchSettings(engine=engine, scheduler=address)
        result = run_batch(find_photos(folder), measure, progress_log=progress_log, settings=how)
        rows[engine] = list(result.rows(progress_log))
        progress_log.close()
    assert rows["dask"] == rows["serial"]
    assert len(rows["dask"]) == 41
    assert not rows["dask"][-1]["ok"]


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_without_workers_is_told_within_ten_seconds(tmp_path):
    from distributed import LocalCluster

    (tmp_path / "a.jpg").write_bytes(b"x")
    with LocalCluster(n_workers=0, dashboard_address=None) as cluster:
        for address, words in (
            (cluster.scheduler_address, "has no workers"),
            ("tcp://127.0.0.1:9", "no scheduler answers"),
        ):
            progress_log = ProgressLog(tmp_path / "rows.jsonl", "k")
            how = BatchSettings(engine="dask", scheduler=address)
            start = time.monotonic()
            with pytest.raises(BadInputError, match=words):
                run_batch([tmp_path / "a.jpg"], measure, progress_log=progress_log, settings=how)
            assert time.monotonic() - start < 10
            progress_log.close()
