"""The working grid, and which looks the net has at a photo: how large, and mirrored too or not.

With a known scale a 15 mm fruitlet becomes :data:`FRUIT_PX` across and detection is single-scale.
A look costs time by its pixels. Every photo has the same time, so a large one, which takes longer
to read, has fewer looks or smaller ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitcount.image.opencv import cv2
from fruitcount.image.reduce import FRUIT_PX
from fruitcount.types import Scale

FRUIT_MM = 15.0
"""The middle of the thinning sizes looked for (4-35 mm)."""

MOST_PIXELS = 2.6e6
"""Largest working picture. Keeps a 12 MP photo within its time; larger is slower."""

MOST_AT_FIRST = 0.8e6
"""Pixels of the first look without a scale; what it leaves is for the second, finer one."""

MOST_ENLARGING = 2.5


def bounded_factor(factor: float, shape: tuple[int, ...], most_px: float = MOST_PIXELS) -> float:
    """A factor held to :data:`MOST_ENLARGING` and to so many pixels of the working picture."""
    room = float(np.sqrt(most_px / (shape[0] * shape[1])))
    return min(factor, MOST_ENLARGING, room)


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
    return bounded_factor(FRUIT_PX / (FRUIT_MM * scale.px_per_mm), shape)


def start_factor(shape: tuple[int, ...], long_side_px: float = 1024.0) -> float:
    """Factor of the first look when no scale is known: the long side to ``long_side_px``."""
    return bounded_factor(min(1.0, long_side_px / max(shape[0], shape[1])), shape, MOST_AT_FIRST)


def resampled(photo_rgb: NDArray[np.uint8], factor: float) -> NDArray[np.uint8]:
    """The photo at ``factor`` working pixels a photo pixel.

    Shape (rows, columns, 3) before and after.

    Area averaging when shrinking, so that fine leaf texture does not alias.
    """
    rows, columns = photo_rgb.shape[:2]
    size = (max(1, round(columns * factor)), max(1, round(rows * factor)))
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(photo_rgb, size, interpolation=how), dtype=np.uint8)


LIKED_PX = 38.0
"""Width at which the net sees a fruitlet best. Against 26 (:data:`FRUIT_PX`) F1 on the held-back
photos, which have no scale, was higher by 0.01, and on 63 renders that no net was trained on, at
their known scale, by 0.05; 44 served apples worse."""

MOST_LOOKED_AT = 2.6e6
"""Pixels that all looks at a photo together may take, where there is a choice, if reading it took
no time. With 3.5e6 small fruit of the held-back photos have an F1 higher by 0.01."""

LEAST_LOOKED_AT = 1.6e6
"""The same for the very largest photos."""

READING_COST = 0.038
"""Looked-at pixels that a pixel of the photo costs: reading it and searching it for a card. It
keeps a 12 MP photo without a card within 1.5 s on two cores, as a smaller one."""

ENOUGH_AGAIN = 1.2e6
"""Pixels that do for a second look: where so many are left after the first look and its mirror, the
mirror is kept. It is worth more than a second look larger still."""

ALIKE = 1.3
"""A second look pays only where it differs from the first by more than this."""


@dataclass(frozen=True)
class Look:
    """One look at a photo.

    Attributes
    ----------
    factor : float
        Working pixels a photo pixel.
    mirror : bool
        In the mirror too; the answer is the mean of both.
    """

    factor: float
    mirror: bool


def most_looked_at(shape: tuple[int, ...]) -> float:
    """Pixels that all looks at a photo together may take, so that every photo takes as long.

    It decides how large a second look is, and which looks are had in the mirror too.

    Parameters
    ----------
    shape : tuple
        Rows and columns of the photo first. A larger photo leaves less.
    """
    return max(LEAST_LOOKED_AT, MOST_LOOKED_AT - READING_COST * shape[0] * shape[1])


def known_look(shape: tuple[int, ...], scale: Scale) -> Look:
    """The one look at a photo whose scale is known.

    Parameters
    ----------
    shape : tuple
        Rows and columns of the photo first.
    scale : Scale
        Known.

    Returns
    -------
    Look
        At the factor of :func:`known_factor`; larger, up to :data:`LIKED_PX`, where the mirror is
        not lost by that.
    """
    most_px = most_looked_at(shape)
    liked = bounded_factor(LIKED_PX / (FRUIT_MM * scale.px_per_mm), shape, most_px / 2)
    factor = max(known_factor(shape, scale), liked)
    return Look(factor, 2 * _looked_px(shape, factor) <= most_px)


def search_looks(
    shape: tuple[int, ...], first: float, median_diameter_px: float
) -> tuple[Look, Look | None]:
    """The first look at a photo whose scale is not known, and the second where it pays.

    Parameters
    ----------
    shape : tuple
        Rows and columns of the photo first.
    first : float
        Factor of the first look, which was had without the mirror so far.
    median_diameter_px : float
        Median width of the fruit found in it, in working pixels; NaN if none.

    Returns
    -------
    Look, Look or None
        No second one when the first already saw fruit near :data:`LIKED_PX` wide. All together
        hold to :func:`most_looked_at`; the mirror of the first comes before that of the second.
    """
    most_px, once_px = most_looked_at(shape), _looked_px(shape, first)
    again = _second_factor(shape, first, median_diameter_px)
    again_px = 0.0 if again is None else _looked_px(shape, again)
    once = Look(first, 2 * once_px + again_px <= most_px)
    if again is None:
        return once, None
    left_px = most_px - (1 + once.mirror) * once_px
    return once, Look(again, 2 * again_px <= left_px)


def _second_factor(shape: tuple[int, ...], first: float, median_diameter_px: float) -> float | None:
    if not np.isfinite(median_diameter_px):
        return None
    once_px = first**2 * shape[0] * shape[1]
    left_px = most_looked_at(shape) - once_px
    if left_px - once_px >= ENOUGH_AGAIN:
        left_px -= once_px
    wanted = bounded_factor(first * LIKED_PX / median_diameter_px, shape, left_px)
    return None if 1 / ALIKE < wanted / first < ALIKE else wanted


def _looked_px(shape: tuple[int, ...], factor: float) -> float:
    """Pixels of a look, a little less: a factor that just holds to a limit must not miss it."""
    return factor**2 * shape[0] * shape[1] * (1 - 1e-6)
