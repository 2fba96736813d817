"""The working grid: a photo resampled so that a fruitlet is about as wide as the maps expect.

With a known scale a 15 mm fruitlet becomes :data:`FRUIT_PX` across and detection is single-scale.
Without one the limb net looks at other sizes as well: :mod:`fruitcount.whole_photo`.
"""

from __future__ import annotations

import numpy as np

from fruitcount.fruitlets import Pixels
from fruitcount.image.opencv import cv2
from fruitcount.image.reduce import FRUIT_PX
from fruitcount.types import Scale

FRUIT_MM = 15.0
"""The middle of the thinning sizes looked for (4-35 mm)."""

MOST_PIXELS = 2.6e6
"""Largest working picture. Keeps a 12 MP photo within its time; larger is slower."""

LIKED_PX = 38.0
"""Width at which the fruit net sees a fruitlet best. Against 26 (:data:`FRUIT_PX`) F1 on the
held-back photos, which have no scale, was higher by 0.01, and on 63 renders that no net was trained
on, at their known scale, by 0.05; 44 served apples worse."""

MOST_AT_FIRST = 0.8e6
"""Pixels of the fruit net's look where no scale is known."""

MOST_FINER = 1.5e6
"""Pixels of its finer look, where the fruit are small."""

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


def liked_factor(shape: tuple[int, ...], scale: Scale) -> float:
    """The factor of :func:`known_factor`, or larger, up to :data:`LIKED_PX` a fruitlet.

    It is larger only where half of :data:`MOST_PIXELS` does for that, so that a look in the mirror
    is not lost by it.
    """
    liked = LIKED_PX / (FRUIT_MM * scale.px_per_mm)
    return max(known_factor(shape, scale), bounded_factor(liked, shape, MOST_PIXELS / 2))


def start_factor(shape: tuple[int, ...], long_side_px: float = 1024.0) -> float:
    """Factor of a look when no scale is known: the long side to ``long_side_px``."""
    return bounded_factor(min(1.0, long_side_px / max(shape[0], shape[1])), shape, MOST_AT_FIRST)


def finer_factor(shape: tuple[int, ...]) -> float:
    """Factor of the finer look when no scale is known: as large as :data:`MOST_FINER` allows."""
    return bounded_factor(MOST_ENLARGING, shape, MOST_FINER)


def resampled(photo_rgb: Pixels, factor: float) -> Pixels:
    """The photo at ``factor`` working pixels a photo pixel.

    Shape (rows, columns, 3) before and after.

    Area averaging when shrinking, so that fine leaf texture does not alias.
    """
    rows, columns = photo_rgb.shape[:2]
    size = (max(1, round(columns * factor)), max(1, round(rows * factor)))
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(photo_rgb, size, interpolation=how), dtype=np.uint8)
