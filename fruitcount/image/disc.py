"""The outline of a coin or ball round a tapped point, as an ellipse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitcount.image.edges import sample_grid
from fruitcount.image.opencv import cv2
from fruitcount.types import FloatArray

__all__ = ["DiscFit", "fit_disc"]

_RAYS = 120
_MIN_RADIUS_PX = 8.0


@dataclass(frozen=True)
class DiscFit:
    """A fitted ellipse.

    Attributes
    ----------
    x_px, y_px : float
        Centre.
    major_px, minor_px : float
        Full axes, the longer first.
    residual_px : float
        Root mean square distance of the used edge points from the ellipse.
    support_frac : float
        Share of the rays whose edge lies on the ellipse.
    """

    x_px: float
    y_px: float
    major_px: float
    minor_px: float
    residual_px: float
    support_frac: float


def fit_disc(rgb: NDArray[np.uint8], x_px: float, y_px: float) -> DiscFit | None:
    """Find the closed outline round a tap.

    Rays from the tap are read outwards; on each the strongest colour steps are candidate edges.
    For every candidate radius the ellipse through the agreeing rays is fitted, and the one that
    most rays support is kept; then the centre moves to the ellipse's and the fit is repeated.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)
    x_px, y_px : float, px
        A point inside the outline; an offset of up to half the radius is recovered.

    Returns
    -------
    DiscFit or None
        None when fewer than 55 % of the rays agree on one outline.
    """
    lab = cv2.cvtColor(cv2.GaussianBlur(rgb, (0, 0), 1.0), cv2.COLOR_RGB2LAB)
    reach = 0.35 * max(rgb.shape[:2])
    seed = _search(lab, x_px, y_px, reach)
    for _ in range(3):
        if seed is None:
            return None
        refined = _refine(lab, seed)
        if refined is None:
            break
        seed = refined
    return seed if seed is not None and seed.support_frac >= 0.55 else None


def _steps(lab: NDArray[Any], x: float, y: float, radii: FloatArray) -> tuple[FloatArray, ...]:
    """Colour step along each ray: strengths (rays, radii - 2) and unit directions."""
    angle = np.linspace(0, 2 * np.pi, _RAYS, endpoint=False)
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    colours = sample_grid(lab, x + radii[None, :] * unit[:, :1], y + radii[None, :] * unit[:, 1:])
    strength = np.linalg.norm(colours[:, 2:] - colours[:, :-2], axis=2)
    return np.nan_to_num(strength), unit


def _search(lab: NDArray[Any], x: float, y: float, reach: float) -> DiscFit | None:
    count = 160
    radii = np.geomspace(_MIN_RADIUS_PX / 2, reach, count)
    strength, unit = _steps(lab, x, y, radii)
    middle = radii[1:-1]
    best: DiscFit | None = None
    best_merit = 0.0
    for radius in middle[middle > _MIN_RADIUS_PX]:
        window = (middle > radius * 0.6) & (middle < radius * 1.5)
        weight = strength[:, window] * np.exp(-((np.log(middle[window] / radius) / 0.25) ** 2))
        at = np.argmax(weight, axis=1)
        edge = middle[window][at]
        points = np.array([x, y]) + edge[:, None] * unit
        fit = _ellipse(points, tolerance=0.06)
        if fit is None:
            continue
        merit = fit.support_frac**2 * float(np.median(weight.max(axis=1)))
        if merit > best_merit:
            best, best_merit = fit, merit
    return best


def _refine(lab: NDArray[Any], seed: DiscFit) -> DiscFit | None:
    """Sub-pixel edge on each ray near the present ellipse, then the ellipse again."""
    half = (seed.major_px + seed.minor_px) / 4
    radii = np.arange(max(1.0, 0.6 * seed.minor_px / 2), 1.3 * seed.major_px / 2 + 3, 0.5)
    strength, unit = _steps(lab, seed.x_px, seed.y_px, radii)
    middle = radii[1:-1]
    top = strength.max(axis=1, keepdims=True)
    # Centroid of the strongest step: the middle of a blurred edge.
    at = np.argmax(strength, axis=1)
    near = np.abs(middle[None, :] - middle[at][:, None]) <= max(2.0, 0.02 * half)
    weight = np.where(near, np.maximum(strength - 0.3 * top, 0), 0)
    total = weight.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        edge = (weight * middle).sum(axis=1) / total
    edge[total <= 0] = np.nan
    points = np.array([seed.x_px, seed.y_px]) + edge[:, None] * unit
    return _ellipse(points, tolerance=0.03)


def _ellipse(points: FloatArray, tolerance: float) -> DiscFit | None:
    """Ellipse through most of the points; those off by more than the tolerance are dropped."""
    keep = np.isfinite(points).all(axis=1)
    for _ in range(5):
        if keep.sum() < 30:
            return None
        (x, y), axes, turn = cv2.fitEllipse(points[keep].astype(np.float32))
        major, minor = max(axes), min(axes)
        if minor < 0.3 * major or not np.isfinite([x, y, major]).all() or minor <= 0:
            return None
        off = _offset(points, (x, y), axes, turn)
        new = np.abs(off) <= max(tolerance * major / 2, 1.0)
        if (new == keep).all():
            break
        keep = new
    residual = float(np.sqrt(np.mean(off[keep] ** 2))) if keep.any() else float("inf")
    return DiscFit(float(x), float(y), float(major), float(minor), residual, float(keep.mean()))


def _offset(
    points: FloatArray, centre: Sequence[float], axes: Sequence[float], turn: float
) -> FloatArray:
    """Distance from the ellipse along the ray from its centre, px; infinite for NaN points."""
    angle = np.radians(turn)
    d = points - np.asarray(centre)
    u = d[:, 0] * np.cos(angle) + d[:, 1] * np.sin(angle)
    v = -d[:, 0] * np.sin(angle) + d[:, 1] * np.cos(angle)
    level = np.hypot(u / (axes[0] / 2), v / (axes[1] / 2))
    distance = np.hypot(u, v)
    with np.errstate(invalid="ignore", divide="ignore"):
        out = distance - distance / level
    return np.asarray(np.nan_to_num(out, nan=np.inf), np.float64)
