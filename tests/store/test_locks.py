"""Opening the records must not drop the locks that SQLite holds on the file in this process."""

from __future__ import annotations

import subprocess
import sys

import pytest
from sqlalchemy import text

from fruitcount.store.base import open_store, reading

pytest.importorskip("fcntl", reason="POSIX locks only")

# Bytes that every SQLite connection in use holds a shared lock on: PENDING_BYTE + 2, 510 of them
# (SQLite file format documentation, "The Lock-Byte Page", and os_unix.c).
_TRY = """
import fcntl, sys
with open(sys.argv[1], "r+b") as file:
    fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB, 510, 0x40000002)
"""


def _free(path) -> bool:
    run = subprocess.run([sys.executable, "-c", _TRY, str(path)], capture_output=True, check=False)
    return run.returncode == 0


def test_opening_twice_keeps_the_locks_of_the_first(tmp_path):
    path = tmp_path / "records.db"
    first = open_store(path)
    with reading(first) as session:
        session.execute(text("SELECT 1 FROM photo LIMIT 1"))
        assert not _free(path)
        second = open_store(path)
        second.close()
        assert not _free(path)
    first.close()
    assert _free(path)
