"""Detectors in the shape that :func:`fruitcount.evaluate.run.evaluate_folder` takes."""

from __future__ import annotations

from pathlib import Path

from fruitcount.checks import one_of
from fruitcount.detect import DetectSettings, find_fruitlets
from fruitcount.evaluate.run import Predict
from fruitcount.fruitness import FRUITNESS
from fruitcount.image.photo import read_photo
from fruitcount.types import Fruitlets, Scale

__all__ = ["CURVE_THRESHOLD", "circles_predictor"]

CURVE_THRESHOLD = 0.05
"""Low enough that the precision-recall curve reaches its end."""


def circles_predictor(source: str, *, threshold: float = CURVE_THRESHOLD) -> Predict:
    """Circles from one source of fruitness, without card, limb or decision.

    Parameters
    ----------
    source : str
        A name in ``FRUITNESS``.
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
    one_of("source", source, tuple(FRUITNESS))
    settings = DetectSettings(threshold=threshold)

    def predict(path: Path) -> Fruitlets:
        photo = read_photo(path)
        maps = FRUITNESS[source](photo.rgb, Scale())
        return find_fruitlets(photo, maps, Scale(), settings)

    return predict
