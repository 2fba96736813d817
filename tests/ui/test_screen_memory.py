"""Freed pictures leave no holes in the server's memory; the long check is ``soak_screen.py``."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
VISITS = """
import sys, threading
sys.path[:0] = [{ui!r}, {root!r}]
from pathlib import Path
from screen_launch import give_memory_back
def rss_mb():
    return int(Path("/proc/self/status").read_text().split("VmRSS:")[1].split()[0]) / 1024
kept = []
def visit():
    for _ in range(4):  # a picture, something small that stays above it, the picture is freed
        picture = bytearray(b"x") * (8 << 20)
        kept.append(bytearray(2000))
        del picture
{told}
bytearray(20 << 20)  # once freed, glibc takes pictures up to this size from its own stores
before = rss_mb()
for _ in range(10):
    threads = [threading.Thread(target=visit) for _ in range(4)]
    for one in threads: one.start()
    for one in threads: one.join()
print(rss_mb() - before)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="glibc's allocator")
def test_pictures_freed_in_many_threads_leave_no_memory_behind():
    grown = []
    for told in ("", "give_memory_back()"):
        code = VISITS.format(ui=str(ROOT / "ui"), root=str(ROOT), told=told)
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)
        grown.append(float(done.stdout))
    if grown[0] < 16:
        pytest.skip("this C library has no such holes")
    assert grown[1] < 4
