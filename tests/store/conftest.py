"""Records on SQLite and, where a server is installed, on PostgreSQL."""

import shutil
import socket
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest

from fruitcount.flags import Flag
from fruitcount.store.base import open_store
from fruitcount.types import Fruitlets, Limb, Measurement, Scale, Shoot


def _programs():
    found = shutil.which("initdb")
    folders = [Path(found).resolve().parent] if found else []
    folders += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    for folder in folders:
        if (folder / "initdb").exists() and (folder / "postgres").exists():
            return folder
    return None


@pytest.fixture(scope="session")
def postgres_server():
    """URL of a throw-away PostgreSQL on loopback, run by a user that is not root."""
    import os

    pytest.importorskip("psycopg", reason="psycopg is not installed")
    programs = _programs()
    if programs is None:
        pytest.skip("PostgreSQL is not installed (no initdb)")
    prefix: list[str] = []
    if os.geteuid() == 0:
        if not shutil.which("runuser"):
            pytest.skip("PostgreSQL will not run as root, and there is no runuser")
        prefix = ["runuser", "-u", "nobody", "--"]
    folder = Path(tempfile.mkdtemp(prefix="fruitcount-pg-", dir="/tmp"))
    folder.chmod(0o777)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    data = str(folder / "data")
    made = subprocess.run(
        [*prefix, str(programs / "initdb"), "-D", data, "-U", "keeper", "-A", "trust",
         "-E", "UTF8"],
        capture_output=True, text=True, cwd="/", check=False,
    )  # fmt: skip
    if made.returncode:
        shutil.rmtree(folder, ignore_errors=True)
        pytest.skip(f"initdb failed: {made.stderr.strip()[-200:]}")
    server = subprocess.Popen(
        [*prefix, str(programs / "postgres"), "-D", data, "-p", str(port), "-k", str(folder),
         "-c", "listen_addresses=127.0.0.1", "-c", "fsync=off"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd="/",
    )  # fmt: skip
    import psycopg

    url = f"postgresql://keeper@127.0.0.1:{port}/postgres"
    try:
        for _ in range(100):
            try:
                psycopg.connect(url).close()
                break
            except psycopg.OperationalError:
                time.sleep(0.1)
        else:
            pytest.skip("PostgreSQL did not start")
        yield url
    finally:
        # runuser passes the signal on; SIGINT asks for a fast shutdown
        subprocess.run(
            [*prefix, str(programs / "pg_ctl"), "-D", data, "-m", "immediate", "stop"],
            capture_output=True, cwd="/", check=False,
        )  # fmt: skip
        server.wait(20)
        shutil.rmtree(folder, ignore_errors=True)


_COUNT = iter(range(10_000))


@pytest.fixture
def new_postgres(postgres_server):
    """Call it for the URL of a new database of that server."""
    import psycopg

    def make():
        name = f"t{next(_COUNT)}"
        with psycopg.connect(postgres_server, autocommit=True) as conn:
            conn.execute(f"CREATE DATABASE {name}")
        return postgres_server.rsplit("/", 1)[0] + f"/{name}"

    return make


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request, tmp_path):
    if request.param == "sqlite":
        opened = open_store(tmp_path / "orchard.db")
    else:
        url = request.getfixturevalue("new_postgres")()
        opened = open_store(url, photos_folder=tmp_path / "orchard-photos")
    yield opened
    opened.close()


@pytest.fixture
def measurement():
    """A result with every kind of value: NaN, flags, shoots."""
    rng = np.random.default_rng(1)
    n = 7
    return Measurement(
        name="limb.jpg", sha256="ab" * 32, width_px=1200, height_px=900, taken_at=None,
        scale=Scale(3.25, 0.01, "card", rng.random((4, 2)) * 100, 50.0, 3, 4.5, Flag.CARD_SMALL),
        fruitlets=Fruitlets.from_columns(
            x_px=rng.random(n) * 1200, y_px=rng.random(n) * 900, r_px=rng.random(n) * 30,
            score=rng.random(n), on_limb=[1, 0, -1, 1, 1, 1, 1], by_hand=[True] + [False] * 6,
            diameter_mm=[np.nan, *rng.random(6) * 20],
        ),
        limb=Limb(
            line_px=rng.random((5, 2)) * 900, width_px=[30, np.nan, 22.5, 20, 18],
            length_px=880.1, shoots=(Shoot(rng.random((3, 2)), 12.5),), flags=Flag.LIMB_DOUBTFUL,
        ),
        flags=Flag.CARD_SMALL | Flag.LIMB_DOUBTFUL, source="classical",
    )  # fmt: skip
