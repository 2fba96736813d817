"""Memory and speed of a long batch with real counting: ``python tests/tree/soak.py --help``.

Makes a folder of different photos out of a few (crops, sizes, light, all saved anew), counts it
with some worker processes and prints, every so many photos, how much memory this process and its
workers hold and the most they ever held (``VmRSS`` and ``VmHWM`` of Linux).
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import asdict, dataclass
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from fruitcount.pipeline import CountSettings
from fruitcount.tree.checkpoint import ProgressLog
from fruitcount.tree.photos import count_photo, find_photos
from fruitcount.tree.run import BatchSettings, run_batch

ROOT = Path(__file__).resolve().parents[2]
PHOTOS = os.environ.get("FRUITCOUNT_PHOTOS", str(ROOT.parent / "shared" / "photos"))


@dataclass(frozen=True)
class Level:
    """Memory after so many photos, kB: now and at most so far, here and in each worker."""

    done_n: int
    here_kb: int
    here_peak_kb: int
    workers_kb: tuple[int, ...]
    workers_peak_kb: tuple[int, ...]
    elapsed_s: float


def make_photos(
    folder: Path,
    count: int,
    *,
    megapixels: tuple[float, float] = (1.0, 2.0),
    samples_only: bool = False,
) -> None:
    """Fill a folder with that many different photos, made of the samples and, if there, others.

    Sizes come round every twenty photos, so that the peak is met early and a leak shows.
    """
    folder.mkdir(parents=True, exist_ok=True)
    samples = sorted((ROOT / "sample_images").glob("*.jpg"))
    others = [] if samples_only else sorted(Path(PHOTOS).rglob("*.jpg"))
    others = others or samples
    rng = np.random.default_rng(6)
    sizes = itertools.cycle(np.linspace(*megapixels, 20))
    for i in range(count):
        # three of five have a card, the others are searched at several sizes
        source = samples[i % len(samples)] if i % 5 < 3 else others[int(rng.integers(len(others)))]
        picture = cv2.imread(str(source))
        if source.parent.name != "sample_images":
            picture = _crop(picture, rng)
        scale = float(np.sqrt(next(sizes) * 1e6 / (picture.shape[0] * picture.shape[1])))
        picture = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        lit = cv2.convertScaleAbs(picture, alpha=float(rng.uniform(0.9, 1.1)))
        cv2.imwrite(str(folder / f"{i:05}.jpg"), lit, [cv2.IMWRITE_JPEG_QUALITY, 88])


def _crop(picture: Any, rng: np.random.Generator) -> Any:
    h, w = picture.shape[:2]
    rows, columns = (int(v * rng.uniform(0.7, 1.0)) for v in (h, w))
    top, left = int(rng.integers(h - rows + 1)), int(rng.integers(w - columns + 1))
    return picture[top : top + rows, left : left + columns]


def _status(pid: int) -> tuple[int, int]:
    try:
        text = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return 0, 0
    lines = dict(line.split(":", 1) for line in text.splitlines() if ":" in line)
    return tuple(int(lines.get(k, "0 kB").split()[0]) for k in ("VmRSS", "VmHWM"))


def _children() -> list[int]:
    out = []
    for task in Path("/proc/self/task").iterdir():
        out += [int(n) for n in (task / "children").read_text().split()]
    # the helper that watches shared memory is a child too, and no worker
    return [n for n in out if b"spawn_main" in Path(f"/proc/{n}/cmdline").read_bytes()]


def level(done_n: int, elapsed_s: float) -> Level:
    """What this process and its workers hold now."""
    here, workers = _status(os.getpid()), [_status(n) for n in _children()]
    return Level(
        done_n, *here, tuple(w[0] for w in workers), tuple(w[1] for w in workers),
        round(elapsed_s, 1),
    )  # fmt: skip


def soak(
    folder: Path, *, workers: int, every: int, source: str = "auto", recycle_after: int = 1000
) -> Iterator[Level]:
    """Count the folder and give the level after each ``every`` photos."""
    levels: list[Level] = []
    started = time.monotonic()

    def tell(now: Any) -> None:
        if now.done_n % every == 0:
            levels.append(level(now.done_n, time.monotonic() - started))
            print(json.dumps(asdict(levels[-1])), file=sys.stderr, flush=True)

    how = BatchSettings(workers=workers, recycle_after=recycle_after)
    work = partial(count_photo, settings=CountSettings(source=source))
    with (
        tempfile.TemporaryDirectory() as place,
        closing(ProgressLog(Path(place) / "rows.jsonl", "soak")) as progress_log,
    ):
        done = run_batch(
            find_photos(folder), work, progress_log=progress_log, settings=how, progress=tell
        )
        assert done.progress.bad_n == 0, [r for r in progress_log.rows() if not r["ok"]][:3]
        # copies of one photo share a row
        contents = {sha256(photo.read_bytes()).digest() for photo in find_photos(folder)}
        assert len(progress_log.rows()) == len(contents)
    yield from levels


def growth(levels: list[Level], first_n: int) -> dict[str, float]:
    """Growth of the peaks from that photo to the last: this process, the largest worker, all."""
    early = next(x for x in levels if x.done_n >= first_n)
    late = levels[-1]

    def whole(x: Level) -> int:
        return x.here_peak_kb + sum(x.workers_peak_kb)

    return {
        "here": late.here_peak_kb / early.here_peak_kb - 1,
        "largest worker": max(late.workers_peak_kb) / max(early.workers_peak_kb) - 1,
        "all": whole(late) / whole(early) - 1,
    }


def _cpu_s() -> float:
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


def compare(folder: Path, photos_n: int, *, source: str, block_n: int = 50) -> dict[str, float]:
    """One worker against two on the same photos, block by block in turn.

    On a machine that does other work too, wall time tells little; processor time does: what two
    workers spend beyond one is what they lose by waiting for each other.
    """
    files = find_photos(folder)[:photos_n]
    wall, cpu = {1: 0.0, 2: 0.0}, {1: 0.0, 2: 0.0}
    work = partial(count_photo, settings=CountSettings(source=source))
    for k, first in enumerate(range(0, len(files), block_n)):
        for workers in (1, 2) if k % 2 else (2, 1):
            start, spent = time.monotonic(), _cpu_s()
            with (
                tempfile.TemporaryDirectory() as place,
                closing(ProgressLog(Path(place) / "rows.jsonl", "soak")) as progress_log,
            ):
                block = files[first : first + block_n]
                run_batch(
                    block, work, progress_log=progress_log, settings=BatchSettings(workers=workers)
                )
            wall[workers] += time.monotonic() - start
            cpu[workers] += _cpu_s() - spent
            print(first, workers, round(wall[workers], 1), round(cpu[workers], 1), file=sys.stderr)
    return {
        "photos": len(files),
        "wall_s one": wall[1],
        "wall_s two": wall[2],
        "cpu_s one": cpu[1],
        "cpu_s two": cpu[2],
        "wall ratio": wall[1] / wall[2],
        "ratio by processor time": 2 * cpu[1] / cpu[2],
    }


def main() -> None:
    """Make the photos if they are not there, count them, print growth and time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--make", type=int, default=1000, help="photos, where there are none")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--every", type=int, default=50)
    parser.add_argument("--from", dest="first", type=int, default=100)
    parser.add_argument("--source", default="auto")
    parser.add_argument("--compare", type=int, help="one worker against two on so many photos")
    given = parser.parse_args()
    if not given.folder.is_dir():
        make_photos(given.folder, given.make)
    if given.compare:
        told = compare(given.folder, given.compare, source=given.source)
        print(json.dumps({k: round(v, 3) for k, v in told.items()}, indent=1))
        return
    start, cpu = time.monotonic(), _cpu_s()
    levels = list(soak(given.folder, workers=given.workers, every=given.every, source=given.source))
    told = {
        "workers": given.workers,
        "photos": levels[-1].done_n,
        "wall_s": round(time.monotonic() - start, 1),
        "cpu_s": round(_cpu_s() - cpu, 1),
        "growth": {k: round(v, 4) for k, v in growth(levels, given.first).items()},
    }  # fmt: skip
    print(json.dumps(told, indent=1))


if __name__ == "__main__":
    main()
