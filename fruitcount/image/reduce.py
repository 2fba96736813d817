"""A smaller copy of a large picture, in a fraction of the time of one area average."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitcount.image.opencv import cv2

__all__ = ["reduced_to", "whole_step"]

NEAR_WHOLE = 0.1
"""A wanted size may be missed by this share where the size itself matters little."""


def whole_step(factor: float) -> float:
    """The nearest one-over-a-whole-number to a factor, where that is near; else the factor.

    Whole pixels are averaged much sooner than parts of them.
    """
    whole = 1 / max(1, round(1 / factor))
    return whole if abs(whole / factor - 1) < NEAR_WHOLE else factor


def reduced_to(picture: NDArray[np.uint8], size: tuple[int, int]) -> NDArray[np.uint8]:
    """A smaller copy by area averaging.

    The picture is first halved as often as it stays at least as large as asked for: the mean of
    two by two pixels is ten times as quick as an average of areas that cut through pixels (4
    against 45 ms for 12 megapixels on one core), which then has a quarter of the work. Against
    one single average a value differs by 0.3 of 255 in the mean.

    Parameters
    ----------
    picture : uint8 array, shape (rows, columns) or (rows, columns, 3)
    size : tuple of (columns, rows)
        At most as large as the picture.

    Returns
    -------
    uint8 array
    """
    columns, rows = size
    while True:
        h, w = picture.shape[:2]
        if h % 2 or w % 2 or h < 2 * rows or w < 2 * columns:
            break
        picture = np.asarray(
            cv2.resize(picture, (w // 2, h // 2), interpolation=cv2.INTER_AREA), np.uint8
        )
    if (w, h) == size:
        return picture
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
