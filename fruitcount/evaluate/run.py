"""Run a detector over an annotated folder and write what came of it."""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from PIL import Image

from fruitcount.errors import BadTruthError, FruitcountError
from fruitcount.evaluate.known import Truth
from fruitcount.evaluate.light import measured_light
from fruitcount.evaluate.pictures import draw_curves, draw_judged
from fruitcount.evaluate.report import Evaluation, PhotoFailure, report_json, report_text, score_set
from fruitcount.evaluate.scores import Judged, judge
from fruitcount.evaluate.truth import read_truth
from fruitcount.image.photo import read_photo
from fruitcount.types import Fruitlets, Measurement

Predict = Callable[[Path], Measurement | Fruitlets]


@dataclass(frozen=True)
class EvaluateSettings:
    """How a folder is judged.

    Attributes
    ----------
    threshold : float
        The shipped score threshold. Detections below it only enter the curve, so a predictor
        that returns them gives a whole curve.
    fill_frac : float or None
        Share of a box's side that fruit fills; None takes the folder's known value.
    keep : callable or None
        Source photo's name to whether it is judged; None judges all. For held-back photos.
    most_photos_n : int or None
        Judge only this many photos, spread evenly over the sorted names. None judges all.
    by_source_photo : bool
        Names that end in ``_number`` are tiles of one photo: they are resampled together.
    measure_light : bool
        Where the annotation does not tell the light, take :func:`measured_light`.
    """

    threshold: float = 0.0
    fill_frac: float | None = None
    keep: Callable[[str], bool] | None = None
    most_photos_n: int | None = None
    by_source_photo: bool = True
    measure_light: bool = True


def evaluate_folder(
    folder: str | Path,
    predict: Predict,
    *,
    settings: EvaluateSettings | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Evaluation:
    """Judge a detector on a folder of annotated photos.

    Parameters
    ----------
    folder : path
        See :func:`fruitcount.evaluate.truth.read_truth`.
    predict : callable
        Photo path to Measurement or Fruitlets. If it raises one of our own errors, the photo is
        counted as nothing found and listed under ``failures``; any other error stops the run.
    settings : EvaluateSettings, optional
    progress : callable, optional
        Called with (photos done, photos in all).

    Raises
    ------
    BadTruthError
        The folder's annotation cannot be read, or a photo it names is not there.
    """
    chosen = settings or EvaluateSettings()
    root = Path(folder)
    truths = _chosen(read_truth(root, fill_frac=chosen.fill_frac), chosen)
    judged: list[Judged] = []
    measurement: list[Measurement | None] = []
    failures: list[PhotoFailure] = []
    seconds: list[float] = []
    for done, known in enumerate(truths, start=1):
        truth, path = known, root / known.name
        if not path.is_file():
            raise BadTruthError(f"{root}: the annotation names {truth.name}, which is not there")
        start = time.perf_counter()
        found: Measurement | Fruitlets = Fruitlets.empty()
        try:
            found = predict(path)
        except FruitcountError as error:
            failures.append(PhotoFailure(truth.name, str(error)))
        seconds.append(time.perf_counter() - start)
        measurement.append(found if isinstance(found, Measurement) else None)
        if chosen.measure_light and not truth.light:
            truth = _with_light(truth, path)
        circles = found.fruitlets if isinstance(found, Measurement) else found
        judged.append(judge(truth, circles, threshold=chosen.threshold))
        if progress is not None:
            progress(done, len(truths))
    groups = [source_photo(t.name) if chosen.by_source_photo else t.name for t in truths]
    return score_set(
        root.name,
        judged,
        groups,
        threshold=chosen.threshold,
        measurement=measurement,
        failures=failures,
        seconds_a_photo=float(np.median(seconds)) if seconds else math.nan,
    )


def source_photo(name: str) -> str:
    """Name of the photo that a tile was cut from: the stem before a last ``_number``."""
    return re.sub(r"_\d+$", "", Path(name).stem)


def worst(result: Evaluation, n: int = 10) -> list[Judged]:
    """The photos with most false marks and misses, worst first; only photos with any."""
    bad = [j for j in result.judged if j.matching.false_n + j.matching.missed_n]
    return sorted(bad, key=lambda j: (-j.matching.false_n - j.matching.missed_n, j.truth.name))[:n]


def write_report(
    results: Sequence[Evaluation],
    folders: Sequence[str | Path],
    out_folder: str | Path,
    *,
    worst_n: int = 10,
) -> list[Path]:
    """Write ``report.json``, ``report.txt``, ``curve.png`` and the worst photos as pictures.

    Parameters
    ----------
    results, folders : sequences of one length
        Each evaluation and the folder its photos lie in.
    out_folder : path
        Made if it is not there.
    worst_n : int
        Pictures a set.

    Returns
    -------
    list of Path
        Files written.
    """
    out = Path(out_folder)
    out.mkdir(parents=True, exist_ok=True)
    written = [out / "report.json", out / "report.txt", out / "curve.png"]
    written[0].write_text(report_json(results), encoding="utf-8")
    written[1].write_text(report_text(results), encoding="utf-8")
    curves = {r.name: (r.curve, r.threshold) for r in results}
    Image.fromarray(draw_curves(curves)).save(written[2])
    for result, folder in zip(results, folders, strict=True):
        for rank, judged in enumerate(worst(result, worst_n), start=1):
            rgb = read_photo(Path(folder) / judged.truth.name).rgb
            stem = re.sub(r"[^A-Za-z0-9_-]", "_", Path(judged.truth.name).stem)
            target = out / f"worst-{result.name}-{rank:02d}-{stem}.jpg"
            Image.fromarray(draw_judged(rgb, judged)).save(target, quality=85)
            written.append(target)
    return written


def _with_light(truth: Truth, path: Path) -> Truth:
    try:
        return replace(truth, light=measured_light(read_photo(path).rgb))
    except FruitcountError:  # the predictor has told of it
        return truth


def _chosen(items: list[Truth], settings: EvaluateSettings) -> list[Truth]:
    keep, most_n = settings.keep, settings.most_photos_n
    if keep is not None:
        items = [item for item in items if keep(source_photo(item.name))]
    if most_n is None or len(items) <= most_n:
        return items
    at = np.linspace(0, len(items) - 1, max(1, most_n)).round().astype(int)
    return [items[i] for i in at]
