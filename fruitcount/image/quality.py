"""Tell whether the photo is sharp enough and lit well enough to count on.

Measures are taken on the photo reduced to one size, so that they do not depend on megapixels.
The thresholds come from an experiment of our own (see each constant), not from a publication.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitcount.flags import Flag
from fruitcount.fruitlets import F32, Pixels
from fruitcount.image.opencv import cv2
from fruitcount.image.reduce import reduced_to, whole_step
from fruitcount.types import Photo

_LONG_SIDE_PX = 1024


@dataclass(frozen=True)
class QualitySettings:
    """Thresholds of :func:`photo_quality`.

    Attributes
    ----------
    min_sharpness : float
        Smallest acceptable :attr:`QualityMeasures.sharpness`. Larger calls more photos blurred.
        Fourteen sharp phone photos of peach limbs measured 1.99 to 2.82; the same photos after
        a Gaussian of 0.1 % of the long side 1.59 to 1.90, of 0.2 % 1.29 to 1.37.
    max_dark_frac : float
        Largest acceptable share of pixels darker than 20 of 255. Larger accepts darker photos.
    min_median : float
        Smallest acceptable median grey value, 0-255. Larger calls more photos dark.
    max_bright_frac : float
        Largest acceptable share of burnt-out pixels (250 or more) that are not a smooth sky.
        Larger accepts brighter photos.
    max_median : float
        Largest acceptable median grey value. Larger accepts brighter photos.
    """

    min_sharpness: float = 1.5
    max_dark_frac: float = 0.6
    min_median: float = 30.0
    max_bright_frac: float = 0.35
    max_median: float = 225.0


@dataclass(frozen=True)
class QualityMeasures:
    """What was measured.

    Attributes
    ----------
    sharpness : float
        Edge contrast lost by a known blur: the 99th percentile of the gradient divided by the
        same after a Gaussian of 2 px on the reduced photo. A sharp photo loses much (ratio well
        over 1), a blurred one has little left to lose (ratio near 1). NaN on a flat picture.
    dark_frac, bright_frac : float
        Shares of pixels under 20 and from 250 up.
    median : float
        Median grey value, 0-255.
    """

    sharpness: float
    dark_frac: float
    bright_frac: float
    median: float


def photo_quality(photo: Photo, settings: QualitySettings | None = None) -> Flag:
    """Flags for blur, darkness and over-exposure.

    Parameters
    ----------
    photo : Photo
    settings : QualitySettings, optional

    Returns
    -------
    Flag
        Any of ``PHOTO_BLURRED``, ``PHOTO_DARK``, ``PHOTO_BRIGHT``; ``NONE`` for a good photo.
    """
    rules = settings or QualitySettings()
    seen = measure_quality(photo.rgb)
    flags = Flag.NONE
    if not seen.sharpness >= rules.min_sharpness:  # NaN, a flat picture, counts as blurred
        flags |= Flag.PHOTO_BLURRED
    if seen.dark_frac > rules.max_dark_frac or seen.median < rules.min_median:
        flags |= Flag.PHOTO_DARK
    if seen.bright_frac > rules.max_bright_frac or seen.median > rules.max_median:
        flags |= Flag.PHOTO_BRIGHT
    return flags


def measure_quality(rgb: Pixels) -> QualityMeasures:
    """Measure sharpness and exposure of an upright uint8 RGB picture (see QualityMeasures).

    ``rgb`` has shape (rows, columns, 3).
    """
    grey = cv2.cvtColor(_reduced(rgb), cv2.COLOR_RGB2GRAY)
    count = cv2.calcHist([grey], [0], None, [256], [0, 256]).ravel()
    return QualityMeasures(
        sharpness=_sharpness(grey.astype(np.float32)),
        dark_frac=float(count[:20].sum() / grey.size),
        bright_frac=float(count[250:].sum() / grey.size),
        median=float(np.median(grey)),
    )


def _reduced(rgb: Pixels) -> Pixels:
    factor = whole_step(_LONG_SIDE_PX / max(rgb.shape[:2]))
    if factor >= 1:
        return rgb
    size = (max(1, round(rgb.shape[1] * factor)), max(1, round(rgb.shape[0] * factor)))
    return reduced_to(rgb, size)


def _sharpness(grey: F32) -> float:
    before = _top_gradient(grey)
    after = _top_gradient(cv2.GaussianBlur(grey, (0, 0), 2.0))
    return before / after if after > 1.0 else float("nan")


def _top_gradient(grey: NDArray[Any]) -> float:
    dx = cv2.Sobel(grey, cv2.CV_32F, 1, 0)
    dy = cv2.Sobel(grey, cv2.CV_32F, 0, 1)
    return float(np.quantile(cv2.magnitude(dx, dy), 0.99))
