"""Circles as boxes, the way annotation standards want them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitcount.types import FloatArray, Kind, Measurement

__all__ = ["KIND_NAMES", "edge_boxes"]

KIND_NAMES: tuple[str, ...] = tuple(kind.name.lower() for kind in Kind)
"""Class names in the order of :class:`fruitcount.types.Kind`."""


def edge_boxes(measurement: Measurement) -> tuple[FloatArray, NDArray[np.intp]]:
    """Boxes around the circles, cut at the photo's outer edge.

    Parameters
    ----------
    seen : Measurement

    Returns
    -------
    boxes : array, shape (N, 4)
        Left, top, right, bottom, measured from the photo's outer top-left corner: the left edge
        of pixel 0 is 0, the right edge of the last pixel is the width.
    index : int array, shape (N,)
        Which fruitlet each box is; circles wholly outside the photo have none.
    """
    f = measurement.fruitlets
    # From "centre of pixel 0 is 0" to "outer edge of pixel 0 is 0".
    x, y = f.x_px + 0.5, f.y_px + 0.5
    raw = np.column_stack([x - f.r_px, y - f.r_px, x + f.r_px, y + f.r_px])
    limits = np.array([measurement.width_px, measurement.height_px] * 2, np.float64)
    boxes = np.clip(raw, 0, limits)
    inside = (boxes[:, 2] > boxes[:, 0]) & (boxes[:, 3] > boxes[:, 1])
    return boxes[inside], np.nonzero(inside)[0]
