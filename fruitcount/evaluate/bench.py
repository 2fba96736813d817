"""How long it takes, against fixed points: ``python -m fruitcount.evaluate.bench``.

How many times a bare JPEG decode does a whole count take? Given one and the same heatmap map,
is the blob stage as right, and as quick, as the blob finders of scikit-image and OpenCV? Do two
workers halve the time of one? How does time grow with megapixels and with fruit? How much memory
does it take, and how soon does it start?

Photos are drawn (:mod:`fruitcount.evaluate.bench_scenes`) unless ``--photo`` names one: good for
ratios, no measure of how right the count is on photographs. Times are the least of several runs,
since other work on the machine only ever adds to them.
"""

from __future__ import annotations

import argparse
import math
import platform
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from fruitcount.detect.heatmap import HEATMAPS
from fruitcount.evaluate.bench_runs import run_command, two_workers_over_one, write_jpeg
from fruitcount.evaluate.bench_scenes import crowd_of, scene_of
from fruitcount.evaluate.blob_finders import BLOB_FINDERS, BlobFinder
from fruitcount.evaluate.scores import judge, tally
from fruitcount.evaluate.synthetic import fruitlets_of
from fruitcount.image.opencv import cv2
from fruitcount.image.photo import read_photo
from fruitcount.limb.position import place_fruitlets
from fruitcount.pipeline import CountSettings, ScaleRequest, decide, measure
from fruitcount.types import Maps, Scale


@dataclass(frozen=True)
class BenchSettings:
    """How much to run.

    Attributes
    ----------
    sources : tuple of str
        Heatmap sources.
    photo : Path or None
        JPEG of the whole count and of the commands; None draws one of the decode size.
    decode_megapixels : float
        Size of a drawn photo for the whole count.
    megapixels, fruit_n : tuples
        Steps of the two growth tables.
    tiles_n : int
        Little scenes in the photo of the growth with fruit.
    scenes_n : int
        Scenes of the blob comparison. More steadies F1.
    batch_n : int
        Photos of the batch comparison, 3 megapixels each.
    repeats_n : int
        Each time is the least of so many runs.
    """

    sources: tuple[str, ...] = ("classical", "trained")
    photo: Path | None = None
    decode_megapixels: float = 12.0
    megapixels: tuple[float, ...] = (1.0, 3.0, 12.0, 48.0)
    fruit_n: tuple[int, ...] = (10, 100, 1000)
    tiles_n: int = 100
    scenes_n: int = 4
    batch_n: int = 16
    repeats_n: int = 3


def whole_count(s: BenchSettings, source: str) -> dict[str, float]:
    """Seconds of a bare JPEG decode, and of reading, measuring and deciding on the same photo.

    Both by the clock and of the processor (``cpu``), all threads together.
    """
    if s.photo is not None:
        data = s.photo.read_bytes()
    else:
        with tempfile.TemporaryDirectory() as name:
            data = write_jpeg(Path(name) / "drawn.jpg", scene_of(s.decode_megapixels, 20)[0])
    coded = np.frombuffer(data, np.uint8)
    photo = read_photo(data, name="bench.jpg")
    settings = CountSettings(source=source)
    measurement = measure(photo, settings)
    # In turns, so that a busy moment of the machine falls on both.
    steps: list[Callable[[], Any]] = [
        lambda: cv2.imdecode(coded, cv2.IMREAD_COLOR),
        lambda: read_photo(data, name="bench.jpg"),
        lambda: measure(photo, settings),
        lambda: decide(measurement),
    ]
    runs = np.array([[_spent(step) for step in steps] for _ in range(s.repeats_n)])
    (decode, decode_cpu), *rest = runs.min(axis=0).tolist()
    whole, whole_cpu = (sum(step[k] for step in rest) for k in (0, 1))
    return {
        "megapixels": photo.rgb.shape[0] * photo.rgb.shape[1] / 1e6,
        "megabytes": len(data) / 1e6,
        "decode_s": decode,
        "whole_s": whole,
        "times_a_decode": whole / decode,
        "whole_cpu_s": whole_cpu,
        "times_a_decode_cpu": whole_cpu / decode_cpu,
    }


def blob_stage(s: BenchSettings, source: str) -> dict[str, dict[str, float]]:
    """F1 and seconds of each blob finder on one and the same heatmap maps.

    The finders from outside get the best of several thresholds, chosen on these very scenes: a
    favour that ours at its shipped threshold is not given; ours with that favour is listed too.
    """
    scenes = [scene_of(1.0, 20, seed) for seed in range(s.scenes_n)]
    maps = [HEATMAPS[source](p.rgb, Scale(px_per_mm=t.px_per_mm)) for p, t in scenes]
    out = {}
    for name, finder in BLOB_FINDERS.items():
        best_f1, best_threshold = -1.0, math.nan
        for threshold in finder.thresholds:
            pairs = zip(scenes, maps, strict=True)
            f1 = tally([judge(t, finder.find(m, threshold)) for (_, t), m in pairs]).f1
            if f1 > best_f1:
                best_f1, best_threshold = f1, threshold
        seconds = _least_s(partial(_each, finder, maps, best_threshold), s.repeats_n)
        out[name] = {"f1": best_f1, "seconds": seconds / len(scenes)}
    return out


def _each(finder: BlobFinder, maps: Sequence[Maps], threshold: float) -> None:
    for one in maps:
        finder.find(one, threshold)


def growth(s: BenchSettings, source: str) -> dict[str, list[tuple[float, float]]]:
    """Processor seconds by megapixels (20 fruit), and by fruit: measuring one photo, deciding."""
    settings = CountSettings(source=source)

    def by_size(megapixels: float) -> float:
        photo, _ = scene_of(megapixels, 20)
        return _least_s(lambda: measure(photo, settings), s.repeats_n, cpu=True)

    def by_fruit(fruit_n: int) -> float:
        photo, px_per_mm = crowd_of(fruit_n, s.tiles_n)
        two = ScaleRequest("points", 100.0, ((0.0, 0.0), (100.0 * px_per_mm, 0.0)))
        return _least_s(lambda: measure(photo, replace(settings, scale=two)), s.repeats_n, cpu=True)

    few = measure(scene_of(1.0, 10)[0], settings)

    def deciding(fruit_n: int) -> float:
        _, truth = scene_of(1.0, fruit_n)  # the same limb, whatever hangs on it
        fruit = place_fruitlets(fruitlets_of(truth, asked_only=False), few.limb, few.scale)
        return _least_s(lambda: decide(replace(few, fruitlets=fruit)), s.repeats_n, cpu=True)

    return {
        "megapixels, measuring": [(m, by_size(m)) for m in s.megapixels],
        "fruit, measuring": [(float(n), by_fruit(n)) for n in s.fruit_n],
        "fruit, deciding": [(float(n), deciding(n)) for n in s.fruit_n],
    }


def exponent(points: list[tuple[float, float]]) -> float:
    """Slope of log time against log size: 1 is proportional, 0 is no growth."""
    size, seconds = np.log(np.array(points, np.float64)).T
    return float(np.polyfit(size, seconds, 1)[0]) if len(points) > 1 else math.nan


def _decode_rows(s: BenchSettings) -> list[str]:
    what = s.photo.name if s.photo else "drawn photo"
    head = "count against a bare JPEG decode | decode | read, measure, decide | ratio"
    lines = [f"| {head} | processor time | ratio of it |"]
    for source in s.sources:
        row = whole_count(s, source)
        lines.append(
            f"| {what}, {row['megapixels']:.0f} MP, {row['megabytes']:.1f} MB, {source} | "
            f"{row['decode_s']:.3f} s | {row['whole_s']:.2f} s | {row['times_a_decode']:.1f} | "
            f"{row['whole_cpu_s']:.2f} s | {row['times_a_decode_cpu']:.1f} |"
        )
    return lines


def _blob_rows(s: BenchSettings) -> list[str]:
    lines = ["| blob finder on the same maps | F1 | time a photo | times ours |"]
    for source in s.sources:
        rows = blob_stage(s, source)
        own = rows["ours, shipped threshold"]["seconds"]
        lines += [
            f"| {name}, {source} maps | {row['f1']:.3f} | {row['seconds'] * 1000:.1f} ms | "
            f"{row['seconds'] / own:.1f} |"
            for name, row in rows.items()
        ]
    return lines


def _worker_rows(s: BenchSettings) -> list[str]:
    photos = [scene_of(3.0, 20, seed)[0] for seed in range(s.batch_n)]
    lines = ["| photos of a folder | one worker | two workers | ratio |"]
    for source in s.sources:
        one, two = two_workers_over_one(photos, source)
        lines.append(
            f"| {s.batch_n} of 3 MP, {source} | {one:.1f} s | {two:.1f} s | {one / two:.2f} |"
        )
    return lines


def _growth_rows(s: BenchSettings) -> list[str]:
    lines = ["| growth with | steps | processor time | exponent |"]
    for source in s.sources:
        for what, points in growth(s, source).items():
            steps = ", ".join(f"{size:g}" for size, _ in points)
            times = ", ".join(f"{seconds:.3f}" for _, seconds in points)
            lines.append(f"| {what}, {source} | {steps} | {times} s | {exponent(points):.2f} |")
    return lines


def _command_rows(s: BenchSettings) -> list[str]:
    lines = ["| command, in a new process | time | processor time | peak memory |"]
    with tempfile.TemporaryDirectory() as name:
        photo = s.photo or Path(name) / "drawn.jpg"
        if s.photo is None:
            write_jpeg(photo, scene_of(s.decode_megapixels, 20)[0])
        rows = {"--help": ["--help"]} | {
            f"count {photo.name} --source {source}":
            ["count", str(photo), "--source", source, "--out", str(Path(name) / "out")]
            for source in s.sources
        }  # fmt: skip
        for what, words in rows.items():
            spent = run_command(words, s.repeats_n)
            lines.append(
                f"| `fruitcount {what}` | {spent.wall_s:.2f} s | {spent.cpu_s:.2f} s | "
                f"{spent.peak_mb:.0f} MB |"
            )
    return lines


PARTS: dict[str, Callable[[BenchSettings], list[str]]] = {
    "decode": _decode_rows,
    "blobs": _blob_rows,
    "workers": _worker_rows,
    "growth": _growth_rows,
    "commands": _command_rows,
}
QUICK = BenchSettings(
    sources=("classical",), decode_megapixels=0.6, megapixels=(0.3, 0.6), fruit_n=(10, 40),
    tiles_n=4, scenes_n=1, batch_n=2, repeats_n=1
)  # fmt: skip


def machine() -> str:
    """What these times were taken on."""
    name = platform.processor() or platform.machine()
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8")
        name = text.split("model name")[1].split(":", 1)[1].splitlines()[0].strip()
    except (OSError, IndexError):
        pass
    return f"{name}, {cv2.getNumberOfCPUs()} cores, Python {platform.python_version()}, " + (
        f"OpenCV {cv2.__version__}"
    )


def main(arguments: list[str] | None = None) -> None:
    """Print the tables in Markdown."""
    parser = argparse.ArgumentParser(description="Measure speed against fixed points.")
    parser.add_argument("--source", choices=sorted(HEATMAPS), action="append")
    parser.add_argument("--part", choices=list(PARTS), action="append", help="default: all")
    parser.add_argument("--photo", type=Path, help="JPEG to count instead of a drawn one")
    parser.add_argument("--repeats", type=int, help="each time is the least of so many runs")
    parser.add_argument("--quick", action="store_true", help="small photos, one run")
    given = parser.parse_args(arguments)
    settings = QUICK if given.quick else BenchSettings()
    settings = replace(
        settings,
        sources=tuple(given.source or settings.sources),
        photo=given.photo,
        repeats_n=given.repeats or settings.repeats_n,
    )
    print(f"Measured on {machine()}; least of {settings.repeats_n} runs.")
    for part in given.part or PARTS:
        head, *rows = PARTS[part](settings)
        print("", head, "|---" * (head.count("|") - 1) + "|", *rows, sep="\n", flush=True)


def _spent(call: Callable[[], Any]) -> tuple[float, float]:
    """Seconds by the clock and of the processor."""
    start, start_cpu = time.perf_counter(), time.process_time()
    call()
    return time.perf_counter() - start, time.process_time() - start_cpu


def _least_s(call: Callable[[], Any], repeats_n: int, *, cpu: bool = False) -> float:
    return min(_spent(call)[cpu] for _ in range(repeats_n))


if __name__ == "__main__":
    main()
