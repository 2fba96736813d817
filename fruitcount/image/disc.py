"""The outline of a coin or ball round a tapped point, as an ellipse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitcount.fruitlets import FloatArray, Pixels
from fruitcount.image.opencv import cv2
from fruitcount.image.reduce import sample_grid

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
    turn_deg : float
        Direction of the longer axis, from x towards y.
    """

    x_px: float
    y_px: float
    major_px: float
    minor_px: float
    residual_px: float
    support_frac: float
    turn_deg: float = 0.0


def fit_disc(rgb: Pixels, x_px: float, y_px: float) -> DiscFit | None:
    """Find the closed outline round a tap.

    Rays from the tap are read outwards; on each the strongest colour steps are candidate edges.
    For every candidate radius the ellipse through the agreeing rays is fitted; the best few are
    fitted again from their own centres to a fraction of a pixel, and the one that most rays
    support most closely is kept.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)
    x_px, y_px : float, px
        A point inside the outline; an offset of up to half the radius is recovered.

    Returns
    -------
    DiscFit or None
        None when fewer than 55 % of the rays agree, or do not agree closely, on one outline. A
        round blob of coarse texture under the tap can pass for a disc: show the fit to the user.
    """
    lab = cv2.cvtColor(cv2.GaussianBlur(rgb, (0, 0), 1.0), cv2.COLOR_RGB2LAB)
    reach = 0.5 * max(rgb.shape[:2])
    seeds = _search(lab, x_px, y_px, reach)
    # A tap far off the middle spreads the rim over many radii: look again from likelier middles.
    for first in [s for s in seeds if s.major_px > 4 * _MIN_RADIUS_PX][:3]:
        seeds = seeds + _search(lab, first.x_px, first.y_px, reach)[:3]
    fits = [_settled(lab, seed) for seed in seeds]
    rated = [(_oneness(lab, f) * _merit(f), f) for f in fits if f is not None and _is_outline(f)]
    # Of 1: drawn coins and balls reached 0.95. This does not keep out every round blob: of 12
    # pictures of noise each, smoothed by 0.5, 2, 3, 4 and 8 px, 0, 0, 3, 1 and 6 passed.
    rated = [pair for pair in rated if pair[0] > 0.8]
    return max(rated, key=lambda pair: pair[0])[1] if rated else None


def _settled(lab: NDArray[Any], seed: DiscFit) -> DiscFit | None:
    """Repeat the sub-pixel fit in an ever narrower band round the ellipse."""
    fit: DiscFit | None = seed
    for band in (0.2, 0.12, 0.08, 0.06):
        if fit is None:
            return None
        fit = _refine(lab, fit, band)
    return fit


def _oneness(lab: NDArray[Any], fit: DiscFit) -> float:
    """How alike the colour steps are all round, 0 to 1: a rim parts one colour from another."""
    angle = np.linspace(0, 2 * np.pi, _RAYS, endpoint=False)
    gap = max(2.0, 0.04 * fit.major_px)
    turn = np.radians(fit.turn_deg)
    sides = []
    for grow in (-gap, gap):
        u = (fit.major_px / 2 + grow) * np.cos(angle)
        v = (fit.minor_px / 2 + grow) * np.sin(angle)
        x = fit.x_px + u * np.cos(turn) - v * np.sin(turn)
        y = fit.y_px + u * np.sin(turn) + v * np.cos(turn)
        sides.append(sample_grid(lab, x[:, None], y[:, None])[:, 0])
    step = np.nan_to_num(sides[1] - sides[0])
    size = float(np.linalg.norm(step, axis=1).sum())
    return float(np.linalg.norm(step.sum(axis=0))) / max(size, 1e-9)


def _is_outline(fit: DiscFit) -> bool:
    # Rims fitted to 0.1 % of their size on drawn coins, texture taken for one to 1 % or worse.
    return fit.support_frac >= 0.55 and fit.residual_px < 0.3 + 0.006 * fit.major_px


def _merit(fit: DiscFit) -> float:
    return fit.support_frac - 25 * fit.residual_px / fit.major_px


def _steps(
    lab: NDArray[Any], x: float, y: float, radii: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Colour step along each ray: strengths (rays, radii - 2) and unit directions (rays, 2)."""
    angle = np.linspace(0, 2 * np.pi, _RAYS, endpoint=False)
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    colours = sample_grid(lab, x + radii[None, :] * unit[:, :1], y + radii[None, :] * unit[:, 1:])
    strength = np.linalg.norm(colours[:, 2:] - colours[:, :-2], axis=2)
    return np.nan_to_num(strength), unit


def _search(lab: NDArray[Any], x: float, y: float, reach: float) -> list[DiscFit]:
    """The eight best rough ellipses, over all sizes."""
    radii = np.geomspace(_MIN_RADIUS_PX / 2, reach, 160)
    strength, unit = _steps(lab, x, y, radii)
    middle = radii[1:-1]
    found: list[tuple[float, DiscFit]] = []
    for radius in middle[middle > _MIN_RADIUS_PX][::2]:
        window = (middle > radius * 0.6) & (middle < radius * 1.5)
        weight = strength[:, window] * np.exp(-((np.log(middle[window] / radius) / 0.25) ** 2))
        edge = middle[window][np.argmax(weight, axis=1)]
        # an evenly lit or overexposed coin has no step at all inside: that is no edge
        edge = np.where(weight.max(axis=1) > 0, edge, np.nan)
        fit = _ellipse(np.array([x, y]) + edge[:, None] * unit, tolerance=0.06)
        if fit is not None:
            found.append((_merit(fit), fit))
    found.sort(key=lambda pair: -pair[0])
    kept: list[DiscFit] = []
    for _, fit in found:
        if all(abs(np.log(fit.major_px / other.major_px)) > 0.06 for other in kept):
            kept.append(fit)
    return kept[:8]


def _refine(lab: NDArray[Any], seed: DiscFit, band: float) -> DiscFit | None:
    """Sub-pixel edge on each ray within a share ``band`` of the ellipse, then the ellipse again."""
    angle = np.linspace(0, 2 * np.pi, _RAYS, endpoint=False)
    a, b, turn = seed.major_px / 2, seed.minor_px / 2, np.radians(seed.turn_deg)
    expected = 1 / np.hypot(np.cos(angle - turn) / a, np.sin(angle - turn) / b)
    relative = np.linspace(1 - 1.5 * band, 1 + 1.5 * band, max(25, int(3 * band * a / 0.4)))
    radii = expected[:, None] * relative[None, :]
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    at_x = seed.x_px + radii * unit[:, :1]
    at_y = seed.y_px + radii * unit[:, 1:]
    colours = sample_grid(lab, at_x, at_y)
    strength = np.nan_to_num(np.linalg.norm(colours[:, 2:] - colours[:, :-2], axis=2))
    middle = radii[:, 1:-1]
    strength *= np.exp(-(((relative[1:-1] - 1) / band) ** 2))
    best = np.argmax(strength, axis=1)[:, None]
    # Centroid of the strongest step: the middle of a blurred edge.
    near = np.abs(middle - np.take_along_axis(middle, best, axis=1)) <= max(2.0, 0.01 * a)
    weight = np.where(near, strength, 0)
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
    long_turn = float(turn) if axes[0] >= axes[1] else float(turn) + 90
    support = float(keep.mean())
    return DiscFit(float(x), float(y), float(major), float(minor), residual, support, long_turn)


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
