"""A limb drawn on leafy ground: a tapered brown bar along a gentle curve, leaves over part of it.

Drawn with supersampling from a distance to the line, not with anything of the package.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np


@dataclass(frozen=True)
class LimbView:
    """What to draw; widths are diameters at base and tip."""

    points: tuple[tuple[float, float], ...] = ((60, 420), (300, 300), (520, 260), (780, 150))
    base_px: float = 26.0
    tip_px: float = 14.0
    size_px: tuple[int, int] = (840, 560)
    leaves: int = 60
    leaves_over: int = 3
    bark: tuple[float, float, float] = (112, 82, 66)
    noise: float = 4.0
    seed: int = 0


def curve(points: tuple[tuple[float, float], ...], count: int = 400) -> np.ndarray:
    """A smooth curve through the points (cubic in the chord length), evenly spaced."""
    p = np.asarray(points, float)
    s = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(p, axis=0).T))])
    t = np.linspace(0, s[-1], 2000)
    degree = min(3, len(p) - 1)
    fine = np.column_stack([np.polyval(np.polyfit(s, p[:, k], degree), t) for k in (0, 1)])
    d = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(fine, axis=0).T))])
    even = np.linspace(0, d[-1], count)
    return np.column_stack([np.interp(even, d, fine[:, k]) for k in (0, 1)])


def leaf(picture: np.ndarray, at: np.ndarray, rng: np.random.Generator, size: float) -> None:
    turn = rng.uniform(0, 180)
    green = rng.uniform(0.7, 1.25)
    colour = (70 * green, 120 * green, 45 * green)
    axes = (round(size), round(size * 0.32))
    centre = (round(float(at[0])), round(float(at[1])))
    cv2.ellipse(picture, centre, axes, turn, 0, 360, colour, -1, cv2.LINE_AA)


def draw(view: LimbView) -> tuple[np.ndarray, np.ndarray]:
    """uint8 RGB picture and the true middle line from base to tip, shape (400, 2)."""
    picture, line = _drawn(view)
    return picture.copy(), line.copy()


@lru_cache(maxsize=32)
def _drawn(view: LimbView) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(view.seed)
    columns, rows = view.size_px
    grain = cv2.GaussianBlur(rng.normal(0, 60, (rows, columns)), (0, 0), 6) * 4
    picture = np.dstack([95 + grain, 135 + grain, 70 + grain]).astype(np.float32)
    for _ in range(view.leaves):
        leaf(picture, rng.uniform([0, 0], [columns, rows]), rng, rng.uniform(25, 60))
    line = curve(view.points)
    bar(picture, line, view.base_px, view.tip_px, view.bark, rng)
    for k in np.linspace(0.2, 0.85, view.leaves_over) if view.leaves_over else ():
        leaf(picture, line[int(k * 399)] + rng.normal(0, 4, 2), rng, rng.uniform(20, 34))
    picture = cv2.GaussianBlur(picture, (0, 0), 0.8)
    picture = picture + rng.normal(0, view.noise, picture.shape)
    return picture.clip(0, 255).astype(np.uint8), line


def bar(
    picture: np.ndarray,
    line: np.ndarray,
    base_px: float,
    tip_px: float,
    bark: tuple[float, float, float],
    rng: np.random.Generator,
) -> None:
    """A rounded bar, shaded across, with an anti-aliased edge."""
    rows, columns = picture.shape[:2]
    nearest = np.full((rows, columns), np.inf)
    half = np.zeros((rows, columns))
    reach = round(base_px) + 2
    for share in range(0, 400, 4):
        x, y = line[share]
        left, top = max(0, round(x) - reach), max(0, round(y) - reach)
        box = np.s_[top : max(0, round(y) + reach), left : max(0, round(x) + reach)]
        gy, gx = np.indices(nearest[box].shape)
        gap = np.hypot(gx + left - x, gy + top - y)
        closer = gap < nearest[box]
        nearest[box][closer] = gap[closer]
        half[box][closer] = (base_px + (tip_px - base_px) * share / 399) / 2
    cover = np.clip(half - nearest + 0.5, 0, 1)[..., None]
    across = np.clip(nearest / np.maximum(half, 1e-6), 0, 1)
    shade = (0.65 + 0.5 * np.sqrt(1 - across**2))[..., None]
    grain = rng.normal(0, 5, (rows, columns, 1))
    picture[:] = picture * (1 - cover) + (np.array(bark) * shade + grain) * cover
