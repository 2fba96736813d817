"""Distances along a drawn line, and places on it. Pure geometry in pixels."""

from __future__ import annotations

import numpy as np

from fruitcount.types import FloatArray, Fruitlets, IntArray, Limb


def along_line(line_px: FloatArray) -> FloatArray:
    """Distance of each vertex from the line's first, shape (N,)."""
    steps = np.hypot(*np.diff(line_px, axis=0).T) if len(line_px) > 1 else np.zeros(0)
    return np.concatenate([[0.0], np.cumsum(steps)])[: len(line_px)]


def line_length_px(line_px: FloatArray) -> float:
    """Length of a line; 0 where it has fewer than two vertices.

    ``line_px`` has shape (N, 2), x and y.
    """
    return float(along_line(line_px)[-1]) if len(line_px) else 0.0


def point_on_line(line_px: FloatArray, along_px: FloatArray | float) -> FloatArray:
    """Points at given distances along a line, shape (M, 2) of x, y.

    Distances beyond an end give that end; a line without points gives NaN.
    """
    if not len(line_px):
        return np.full((np.size(along_px), 2), np.nan)
    s = along_line(line_px)
    d = np.atleast_1d(np.asarray(along_px, dtype=float))
    return np.column_stack([np.interp(d, s, line_px[:, 0]), np.interp(d, s, line_px[:, 1])])


def resampled(line_px: FloatArray, count: int) -> FloatArray:
    """The line at ``count`` evenly spaced places.

    Shape (N, 2) to (count, 2), x and y in pixels.
    """
    return point_on_line(line_px, np.linspace(0, line_length_px(line_px), count))


def nearest_on_line(
    line_px: FloatArray, x_px: FloatArray, y_px: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """For each point, where its nearest place on the line lies.

    Parameters
    ----------
    line_px : array, shape (N, 2)
        At least two vertices.
    x_px, y_px : arrays, shape (M,)

    Returns
    -------
    along_px, offset_px : arrays, shape (M,)
        Distance along the line to the nearest place, and distance from the point to it.
    """
    step = np.diff(line_px, axis=0)
    size = np.hypot(step[:, 0], step[:, 1])
    real = size > 0
    if not real.any():
        return np.zeros(len(x_px)), np.full(len(x_px), np.inf)
    # Segments by points.
    step_x, step_y, length = step[real, :1], step[real, 1:], size[real, None]
    off_x, off_y = x_px - line_px[:-1][real, :1], y_px - line_px[:-1][real, 1:]
    share = np.clip((off_x * step_x + off_y * step_y) / length**2, 0, 1)
    gap = np.hypot(off_x - share * step_x, off_y - share * step_y)
    gap[np.isnan(gap)] = np.inf
    segment, point = gap.argmin(axis=0), np.arange(len(x_px))
    along = along_line(line_px)[:-1][real][segment] + share[segment, point] * size[real][segment]
    offset = gap[segment, point]
    return np.where(np.isfinite(offset), along, 0.0), offset


def places_on_wood(fruitlets: Fruitlets, limb: Limb) -> tuple[IntArray, FloatArray]:
    """On which line each fruit hangs, and how far along that line.

    Fruit of the main limb keeps its ``along_px`` where it has one; fruit of a shoot is dropped
    onto the shoot's line, since its ``along_px`` is that of the fork.

    Returns
    -------
    line : int array, shape (N,)
        -1 on the main limb, else the shoot. A shoot that is not there, or has no length, counts as
        the main limb.
    at_px : float array, shape (N,)
        NaN where no limb was found and the fruit was not placed before.
    """
    line = fruitlets.shoot.copy()
    usable = [i for i, shoot in enumerate(limb.shoots) if line_length_px(shoot.line_px) > 0]
    line[~np.isin(line, usable)] = -1
    at = fruitlets.along_px.copy()
    x, y = fruitlets.x_px, fruitlets.y_px
    lost = (line == -1) & ~np.isfinite(at)
    if limb.found and lost.any():
        at[lost] = nearest_on_line(limb.line_px, x[lost], y[lost])[0]
    for i, shoot in enumerate(limb.shoots):
        mine = line == i
        at[mine] = nearest_on_line(shoot.line_px, x[mine], y[mine])[0]
    return line, at


def direction_of_line(line_px: FloatArray, along_px: float) -> FloatArray:
    """Unit vector along a line, over a fiftieth of it, so that a small kink does not turn it.

    The line has shape (N, 2), the vector shape (2,).
    """
    length = float(along_line(line_px)[-1])
    step = max(1.0, 0.01 * length)
    a, b = point_on_line(line_px, np.clip([along_px - step, along_px + step], 0.0, length))
    return np.asarray((b - a) / max(float(np.hypot(*(b - a))), 1e-9))


def across_line(line_px: FloatArray, along_px: float) -> FloatArray:
    """Unit vector across a line of shape (N, 2) at a place along it, shape (2,)."""
    direction = direction_of_line(line_px, along_px)
    return np.array([-direction[1], direction[0]])
