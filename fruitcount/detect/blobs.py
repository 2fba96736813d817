"""From maps to circles: peaks, their radii, and one circle a fruit."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from fruitcount.fruitlets import F32, FloatArray, IntArray
from fruitcount.image.opencv import cv2
from fruitcount.types import Maps


def peaks(heatmap: F32, lowest: float) -> tuple[FloatArray, FloatArray]:
    """Local maxima of a map, placed to a fraction of a cell.

    Parameters
    ----------
    heatmap : float32 array, shape (h, w)
    lowest : float
        Peaks under it are left out.

    Returns
    -------
    row_col : float array, shape (N, 2)
        By a parabola through each peak and its neighbours.
    height : float array, shape (N,)
        Highest first.
    """
    top = cv2.dilate(heatmap, np.ones((3, 3), np.uint8))
    row, col = np.nonzero((heatmap >= top) & (heatmap >= lowest))
    height = heatmap[row, col].astype(np.float64)
    order = np.argsort(-height, kind="stable")
    row, col, height = row[order], col[order], height[order]
    padded = np.pad(heatmap, 1, mode="edge").astype(np.float64)
    r, c = row + 1, col + 1
    drow = _vertex(padded[r - 1, c], padded[r, c], padded[r + 1, c])
    dcol = _vertex(padded[r, c - 1], padded[r, c], padded[r, c + 1])
    return np.stack([row + drow, col + dcol], axis=1), height


def _vertex(before: FloatArray, at: FloatArray, after: FloatArray) -> FloatArray:
    bend = before - 2 * at + after
    safe = np.where(bend < -1e-9, bend, -1.0)
    shift = np.where(bend < -1e-9, 0.5 * (before - after) / safe, 0.0)
    return np.asarray(np.clip(shift, -0.5, 0.5), np.float64)


def one_a_fruit(x: FloatArray, y: FloatArray, r: FloatArray, overlap_frac: float) -> IntArray:
    """Indices of the circles to keep, best first; the input is ordered best first.

    ``x``, ``y``, ``r`` have shape (N,), in map cells or pixels alike; the indices shape (M,).

    A circle goes when a better one's centre lies within ``overlap_frac`` of the sum of both
    radii, so touching fruit (distance = the sum) stay apart and a doubled mark goes.
    """
    n = len(x)
    if n == 0:
        return np.zeros(0, np.int64)
    tree = cKDTree(np.stack([x, y], axis=1))
    alive = np.ones(n, bool)
    largest = float(r.max())
    for i in range(n):
        if not alive[i]:
            continue
        near = tree.query_ball_point((x[i], y[i]), overlap_frac * (r[i] + largest))
        for j in near:
            if j > i and np.hypot(x[i] - x[j], y[i] - y[j]) < overlap_frac * (r[i] + r[j]):
                alive[j] = False
    return np.flatnonzero(alive)


def circles_from_maps(
    maps: Maps, lowest: float, overlap_frac: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Circles in photo pixels, best first, one a fruit.

    Parameters
    ----------
    maps : Maps
    lowest : float
        Lowest score kept.
    overlap_frac : float
        See :func:`one_a_fruit`.

    Returns
    -------
    x_px, y_px, r_px, score : float arrays, shape (N,)
    """
    row_col, score = peaks(maps.heatmap, lowest)
    h, w = maps.heatmap.shape
    row = np.clip(np.rint(row_col[:, 0]).astype(int), 0, h - 1)
    col = np.clip(np.rint(row_col[:, 1]).astype(int), 0, w - 1)
    r = maps.radius_px[row, col].astype(np.float64)
    y, x = ((row_col[:, i] + 0.5) * maps.px_per_cell - 0.5 for i in (0, 1))
    told = np.isfinite(r) & (r > 0)
    x, y, r, score = x[told], y[told], r[told], score[told]
    keep = one_a_fruit(x, y, r, overlap_frac)
    return x[keep], y[keep], r[keep], np.clip(score[keep], 0.0, 1.0)
