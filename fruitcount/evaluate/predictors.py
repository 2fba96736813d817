"""Detectors in the shape that :func:`fruitcount.evaluate.run.evaluate_folder` takes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from fruitcount.detect.find import find_fruitlets
from fruitcount.detect.heatmap import HEATMAPS, DetectSettings
from fruitcount.errors import one_of
from fruitcount.evaluate.run import Predict
from fruitcount.image.photo import read_photo
from fruitcount.pipeline import CountSettings, measure
from fruitcount.types import Fruitlets, Measurement, Photo, Scale

CURVE_THRESHOLD = 0.05
"""Low enough that the precision-recall curve reaches its end."""


def circles_predictor(source: str, *, threshold: float = CURVE_THRESHOLD) -> Predict:
    """Circles from one source of heatmap, without card, limb or decision.

    Parameters
    ----------
    source : str
        A name in ``HEATMAPS``.
    threshold : float
        Lowest score handed on. Lower gives a longer curve.

    Returns
    -------
    callable
        Photo path to Fruitlets.

    Raises
    ------
    BadInputError
        The source is not known.
    """
    one_of("source", source, tuple(HEATMAPS))
    settings = DetectSettings(threshold=threshold)

    def predict(path: Path) -> Fruitlets:
        photo = read_photo(path)
        maps = HEATMAPS[source](photo.rgb, Scale())
        return find_fruitlets(photo, maps, Scale(), settings)

    return predict


def pipeline_predictor(
    settings: CountSettings | None = None, *, whole_curve: bool = False
) -> Predict:
    """The whole measurement of a photo, as a grower gets it.

    Parameters
    ----------
    settings : CountSettings, optional
    whole_curve : bool
        Look a second time with a low threshold, so that the curve goes on below the shipped
        one. The marks at the shipped threshold stay what they were; the time nearly doubles.

    Returns
    -------
    callable
        Photo path to Measurement.
    """
    rules = settings or CountSettings()

    def predict(path: Path) -> Measurement:
        photo = read_photo(path)
        measurement = measure(photo, rules)
        if not whole_curve:
            return measurement
        low = low_marks(photo, rules)
        shipped = DetectSettings(threshold=rules.min_score).threshold_for(measurement.source)
        marks = measurement.fruitlets.joined(low.take(low.score < shipped))
        return replace(measurement, fruitlets=marks)

    return predict


def low_marks(photo: Photo, settings: CountSettings | None = None) -> Fruitlets:
    """Marks of a photo down to a low score, those on the scale card left out as always.

    Parameters
    ----------
    photo : Photo
    settings : CountSettings, optional
        As for :func:`fruitcount.pipeline.measure`; its ``min_score`` is not used.

    Returns
    -------
    Fruitlets
        For :func:`fruitcount.calibrate.lesson_from` and
        :func:`fruitcount.calibrate.retuned`.
    """
    rules = settings or CountSettings()
    return measure(photo, replace(rules, min_score=CURVE_THRESHOLD)).fruitlets
