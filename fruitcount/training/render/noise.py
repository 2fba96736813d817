"""Cheap seeded noise: sums of sine waves in space and smoothed random pictures."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def waves(p: NDArray[Any], rng: np.random.Generator, scale: float, count: int = 8) -> NDArray[Any]:
    """Smooth noise, roughly -1 to 1, at points `p` (..., 3); raising `scale` makes it coarser."""
    k = rng.normal(size=(count, 3)) / scale
    ph = rng.uniform(0, 2 * np.pi, count)
    turn = p.astype(np.float32) @ k.T.astype(np.float32) + ph.astype(np.float32)
    return np.asarray(np.sin(turn).sum(-1) / np.sqrt(count))


def picture(
    rng: np.random.Generator, shape: tuple[int, int], cells: tuple[int, int]
) -> NDArray[Any]:
    """Smooth noise, 0 to 1, that repeats at its edges, with `cells` bumps down and across."""
    g = rng.random(cells)
    r = np.arange(shape[0]) * cells[0] / shape[0]
    c = np.arange(shape[1]) * cells[1] / shape[1]
    r0, c0 = r.astype(int), c.astype(int)
    fr, fc = r - r0, c - c0
    fr, fc = fr * fr * (3 - 2 * fr), fc * fc * (3 - 2 * fc)
    r1, c1 = (r0 + 1) % cells[0], (c0 + 1) % cells[1]
    rows = g[r0] * (1 - fr)[:, None] + g[r1] * fr[:, None]
    return np.asarray(rows[:, c0] * (1 - fc) + rows[:, c1] * fc)


def fractal(
    rng: np.random.Generator, shape: tuple[int, int], cells: tuple[int, int], octaves: int = 4
) -> NDArray[Any]:
    """Sum of `octaves` noise pictures, each twice as fine and half as strong, 0 to 1."""
    out = np.zeros(shape)
    total = 0.0
    for o in range(octaves):
        n = (min(cells[0] << o, shape[0]), min(cells[1] << o, shape[1]))
        out += picture(rng, shape, n) * 0.5**o
        total += 0.5**o
    return out / total
