"""The working grid: a photo resampled so that a fruitlet is about as wide as the maps expect.

With a known scale a 15 mm fruitlet becomes :data:`FRUIT_PX` across, or more where that pays, and
detection is single-scale. Without one the caller searches the factors of :func:`search_factors`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitcount.image.opencv import cv2
from fruitcount.image.working_grid import FRUIT_PX
from fruitcount.types import Scale

__all__ = [
    "FRUIT_PX",
    "known_factor",
    "liked_factor",
    "most_looked_at",
    "resampled",
    "search_factors",
    "start_factor",
]

FRUIT_MM = 15.0
"""The middle of the thinning sizes looked for (4-35 mm)."""

LIKED_PX = 38.0
"""Width at which the net sees a fruitlet best. Against 26 (:data:`FRUIT_PX`) F1 on the held-back
photos, which have no scale, was higher by 0.01, and on 63 renders that no net was trained on, at
their known scale, by 0.05; 44 served apples worse."""

MOST_PIXELS = 2.6e6
"""Largest working picture. Keeps a 12 MP photo within its time; larger is slower."""

MOST_LOOKED_AT = 2.6e6
"""Pixels that all looks at a photo together may take, where there is a choice, if reading it took
no time. With 3.5e6 small fruit of the held-back photos have an F1 higher by 0.01."""

LEAST_LOOKED_AT = 1.6e6
"""The same for the very largest photos."""

READING_COST = 0.038
"""Looked-at pixels that a pixel of the photo costs: reading it and searching it for a card. It
keeps a 12 MP photo without a card within 1.5 s on two cores, as a smaller one."""

MOST_AT_FIRST = 0.8e6
"""Pixels of the first pass without a scale; what it leaves is for the second, finer one."""

ENOUGH_AGAIN = 1.2e6
"""Pixels that do for a second pass: where so many are left after the first pass and its mirror, the
mirror is kept. It is worth more than a second pass larger still."""

MOST_ENLARGING = 2.5


def _bounded(factor: float, shape: tuple[int, ...], most_px: float = MOST_PIXELS) -> float:
    room = float(np.sqrt(most_px / (shape[0] * shape[1])))
    return min(factor, MOST_ENLARGING, room)


def most_looked_at(shape: tuple[int, ...]) -> float:
    """Pixels that all looks at a photo together may take, so that every photo takes as long.

    It decides how large a second pass is, and which passes are looked at in the mirror too.

    Parameters
    ----------
    shape : tuple
        Rows and columns of the photo first. A larger photo leaves less.
    """
    return max(LEAST_LOOKED_AT, MOST_LOOKED_AT - READING_COST * shape[0] * shape[1])


def known_factor(shape: tuple[int, ...], scale: Scale) -> float:
    """Resampling factor for a photo whose scale is known.

    Parameters
    ----------
    shape : tuple
        Rows and columns of the photo first.
    scale : Scale
        Known.

    Returns
    -------
    float
        Working pixels per photo pixel: a fruitlet of 15 mm becomes :data:`FRUIT_PX` wide.
    """
    return _bounded(FRUIT_PX / (FRUIT_MM * scale.px_per_mm), shape)


def liked_factor(shape: tuple[int, ...], scale: Scale) -> float:
    """As :func:`known_factor`; larger, up to :data:`LIKED_PX`, where time allows.

    Time allows what can be looked at in the mirror too within :func:`most_looked_at`.
    """
    least = known_factor(shape, scale)
    liked = LIKED_PX / (FRUIT_MM * scale.px_per_mm)
    return max(least, _bounded(liked, shape, most_looked_at(shape) / 2))


def start_factor(shape: tuple[int, ...], long_side_px: float = 1024.0) -> float:
    """Factor of the first pass when no scale is known: the long side to ``long_side_px``."""
    return _bounded(min(1.0, long_side_px / max(shape[0], shape[1])), shape, MOST_AT_FIRST)


def search_factors(
    shape: tuple[int, ...], first: float, median_diameter_px: float
) -> tuple[float, ...]:
    """Factors of the second pass, from the median fruit width seen in the first.

    Parameters
    ----------
    shape : tuple
        Rows and columns of the photo first.
    first : float
        Factor of the first pass.
    median_diameter_px : float
        Median width of the fruit found in the first pass, in working pixels; NaN if none.

    Returns
    -------
    tuple of float
        Empty when the first pass already saw fruit near :data:`LIKED_PX` wide. Both passes
        together hold to :func:`most_looked_at`.
    """
    if not np.isfinite(median_diameter_px):
        return ()
    once_px = first**2 * shape[0] * shape[1]
    left_px = most_looked_at(shape) - once_px
    if left_px - once_px >= ENOUGH_AGAIN:
        left_px -= once_px
    wanted = _bounded(first * LIKED_PX / median_diameter_px, shape, left_px)
    return (wanted,) if not 0.77 < wanted / first < 1.3 else ()


def resampled(photo_rgb: NDArray[np.uint8], factor: float) -> NDArray[np.uint8]:
    """The photo at ``factor`` working pixels a photo pixel.

    Area averaging when shrinking, so that fine leaf texture does not alias.
    """
    rows, columns = photo_rgb.shape[:2]
    size = (max(1, round(columns * factor)), max(1, round(rows * factor)))
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(photo_rgb, size, interpolation=how), dtype=np.uint8)
