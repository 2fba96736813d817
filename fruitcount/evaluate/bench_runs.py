"""Whole commands, each in a process of its own: seconds, processor seconds and peak memory."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fruitcount.image.opencv import cv2
from fruitcount.types import Photo

# Reads its own high-water mark: that of a child, seen from outside, may be its parent's.
_CHILD = """
import json, sys, time
from fruitcount.cli import main
status = 0
try:
    main(sys.argv[1:])
except SystemExit as end:
    status = int(end.code or 0)
try:
    text = open("/proc/self/status").read()
    peak_kb = int(text.split("VmHWM:")[1].split()[0])
except OSError:
    import resource
    peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print("\\n" + json.dumps([status, time.process_time(), peak_kb]))
"""


@dataclass(frozen=True)
class Spent:
    """What one command took.

    Attributes
    ----------
    wall_s, cpu_s : float
        By the clock, start of the interpreter included, and by the processor.
    peak_mb : float
        Most memory held at one time (resident), MB of a million bytes. Workers' own is not in it.
    """

    wall_s: float
    cpu_s: float
    peak_mb: float


def run_command(words: Sequence[str], repeats_n: int = 1) -> Spent:
    """Run ``fruitcount`` with these words in a new process; the least of several runs.

    Raises
    ------
    RuntimeError
        When the command fails.
    """
    runs = [_once(words) for _ in range(repeats_n)]
    return Spent(
        min(r.wall_s for r in runs), min(r.cpu_s for r in runs), min(r.peak_mb for r in runs)
    )


def _once(words: Sequence[str]) -> Spent:
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", _CHILD, *words],
        capture_output=True, text=True, check=False, encoding="utf-8",
        env=os.environ | {"PYTHONIOENCODING": "utf-8"}
    )  # fmt: skip
    wall = time.perf_counter() - start
    if done.returncode:
        raise RuntimeError(f"fruitcount {' '.join(words)} failed: {done.stderr[-500:]}")
    status, cpu, peak_kb = json.loads(done.stdout.rsplit("\n", 2)[-2])
    if status:
        raise RuntimeError(f"fruitcount {' '.join(words)} ended with {status}")
    return Spent(wall, cpu, peak_kb * 1024 / 1e6)


def two_workers_over_one(photos: Sequence[Photo], source: str) -> tuple[float, float]:
    """Seconds of one and of two workers for the same photos (``fruitcount folder``)."""
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        folder = root / "photos"
        for k, photo in enumerate(photos):
            write_jpeg(folder / f"tree_limb{k}.jpg", photo)
        spent = []
        for workers in (1, 2):
            words = ["folder", str(folder), "--out", str(root / f"out{workers}")]
            words += ["--workers", str(workers), "--source", source]
            spent.append(run_command(words).wall_s)
    return spent[0], spent[1]


def write_jpeg(path: Path, photo: Photo, quality: int = 92) -> bytes:
    """Write a photo as JPEG, its folder too, and return the bytes."""
    flags = [cv2.IMWRITE_JPEG_QUALITY, quality]
    data = cv2.imencode(".jpg", cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2BGR), flags)[1].tobytes()
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return data
