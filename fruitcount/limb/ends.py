"""Where the limb's line ends: at the last wood seen, or at the photo's edge."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.ndimage import uniform_filter1d

from fruitcount.limb.centre import Band
from fruitcount.types import FloatArray

_EDGE_FRAC = 0.04


def trimmed(band: Band) -> Band:
    """Cut both ends back to where wood is seen (a stretch of 4 % of the line with support)."""
    window = max(3, len(band.support) // 25)
    seen = uniform_filter1d(band.support, window, mode="nearest") > 0.22
    if not seen.any():
        return band
    first, last = np.flatnonzero(seen)[[0, -1]]
    first, last = max(0, first - window // 2), min(len(seen) - 1, last + window // 2)
    keep = slice(first, last + 1)
    return replace(band, line_px=band.line_px[keep], support=band.support[keep])


def frame_edge(point_px: FloatArray, shape: tuple[int, ...]) -> bool:
    """Whether a point lies within 1 % of the long side of the photo's edge.

    ``point_px`` has shape (2,), x and y; ``shape`` is that of the photo's array.
    """
    rows, columns = shape[:2]
    near = 0.01 * max(rows, columns)
    x, y = float(point_px[0]), float(point_px[1])
    return min(x, y, columns - 1 - x, rows - 1 - y) < near


def extended(
    line: FloatArray,
    shape: tuple[int, ...],
    *,
    at_start: bool,
    at_end: bool,
    most_px: float = float("inf"),
) -> FloatArray:
    """Carry an end that stops just short of the photo's edge straight on to the edge.

    Shape (N, 2) in, x and y in pixels; up to two points more out.

    Just short is under 4 % of the photo's long side, and under ``most_px``.
    """
    most = min(most_px, _EDGE_FRAC * max(shape[:2]))
    out = line
    if at_end:
        out = _carried(out, shape, most)
    if at_start:
        out = _carried(out[::-1], shape, most)[::-1]
    return out


def _carried(line: FloatArray, shape: tuple[int, ...], most_px: float) -> FloatArray:
    rows, columns = shape[:2]
    back = line[-min(len(line), max(2, len(line) // 10))]
    direction = line[-1] - back
    length = float(np.hypot(*direction))
    if length < 1e-6:
        return line
    direction = direction / length
    reach = np.inf
    for axis, size in ((0, columns), (1, rows)):
        if direction[axis] > 1e-9:
            reach = min(reach, (size - 1 - line[-1][axis]) / direction[axis])
        elif direction[axis] < -1e-9:
            reach = min(reach, -line[-1][axis] / direction[axis])
    if not 0 < reach < most_px:
        return line
    return np.vstack([line, line[-1] + reach * direction])
