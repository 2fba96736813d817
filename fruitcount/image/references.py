"""Scale without a printed card: two points, a coin or ball, a bank card, or a fruit's diameter."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitcount.errors import BadInputError, finite, positive
from fruitcount.flags import Flag
from fruitcount.image.cardfit import card_pose, side_lengths_px
from fruitcount.image.opencv import cv2, sample_grid
from fruitcount.types import FloatArray, Fruitlets, Photo, Pixels, Scale

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
    """Colour step along each ray: strengths (rays, radii - 2) and unit directions (rays, 2).

    ``radii`` has shape (radii,), or (rays, radii).
    """
    angle = np.linspace(0, 2 * np.pi, _RAYS, endpoint=False)
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    colours = sample_grid(lab, x + radii * unit[:, :1], y + radii * unit[:, 1:])
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
    strength, unit = _steps(lab, seed.x_px, seed.y_px, radii)
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


# Names of coins and balls to their diameters in mm; the file names its sources.
DISC_DIAMETERS_MM: dict[str, float] = tomllib.loads(
    Path(__file__).with_name("discs.toml").read_text(encoding="utf-8")
)

# ISO/IEC 7810, size ID-1.
BANK_CARD_MM = (85.60, 53.98)

# A tapped or dragged point is good to about this many px on a picture shown at screen size.
_TAP_SD_PX = 3.0
# The limb may lie this share of the distance before or behind the reference (see the card).
_DEPTH_SD_FRAC = 0.01


def scale_from_points(
    x1_px: float, y1_px: float, *, x2_px: float, y2_px: float, length_mm: float
) -> Scale:
    """Scale from two points a known length apart, both about as far away as the limb.

    Parameters
    ----------
    x1_px, y1_px, x2_px, y2_px : float, px
    length_mm : float, mm
        True distance between them.

    Raises
    ------
    BadInputError
        When a number is not finite, the length is not > 0, or the points coincide.
    """
    length = positive("length_mm", length_mm)
    dx = finite("x2_px", x2_px) - finite("x1_px", x1_px)
    dy = finite("y2_px", y2_px) - finite("y1_px", y1_px)
    gap_px = float(np.hypot(dx, dy))
    if gap_px < 2:
        raise BadInputError(f"the two points must be at least 2 px apart, got {gap_px:.2f} px")
    tap = _TAP_SD_PX * np.sqrt(2) / gap_px
    # A length that is not square to the line of sight looks short; 2 % is a tilt of about 12 deg.
    relative = float(np.hypot(np.hypot(tap, 0.02), _DEPTH_SD_FRAC))
    return Scale(gap_px / length, relative, source="two points")


def scale_from_disc(photo: Photo, x_px: float, y_px: float, diameter_mm: float) -> Scale:
    """Scale from a coin or ball that the user tapped.

    Parameters
    ----------
    photo : Photo
    x_px, y_px : float, px
        A point on the coin, best near its middle.
    diameter_mm : float, mm
        Known diameter, e.g. from :data:`DISC_DIAMETERS_MM`.

    Returns
    -------
    Scale
        From the long axis of the fitted ellipse, which tilt does not shorten; the empty scale
        with ``NO_SCALE`` when no outline is found round the tap.

    Raises
    ------
    BadInputError
        When the tap is outside the photo or the diameter is not > 0.
    """
    diameter = positive("diameter_mm", diameter_mm)
    marked_point(photo, "the tapped point", (x_px, y_px))
    disc = fit_disc(photo.rgb, x_px, y_px)
    if disc is None:
        return Scale(flags=Flag.NO_SCALE)
    # The rim of a coin is rounded and its light uneven: fits were 0.1-0.5 % sd, up to 1 px small.
    relative = float(np.hypot(np.hypot(disc.residual_px + 1.0, 0.5) / disc.major_px, 0.005))
    tilt_deg = float(np.degrees(np.arccos(np.clip(disc.minor_px / disc.major_px, 0, 1))))
    return Scale(
        disc.major_px / diameter,
        float(np.hypot(relative, _DEPTH_SD_FRAC)),
        source="coin",
        tilt_deg=tilt_deg,
        flags=Flag.CARD_TILTED if tilt_deg > 45 else Flag.NONE,
    )


def scale_from_bank_card(photo: Photo, corners_px: Sequence[Sequence[float]]) -> Scale:
    """Scale from the four tapped corners of a bank card (ISO/IEC 7810 ID-1, 85.60 x 53.98 mm).

    Parameters
    ----------
    photo : Photo
        Only its size is used, to allow for tilt.
    corners_px : sequence of four (x, y), px
        In order round the card, either way, starting anywhere. Tap where the straight sides
        would meet: the corners are rounded.

    Raises
    ------
    BadInputError
        When there are not four corners, or they do not make a convex four-sided figure.
    """
    corners = np.asarray(corners_px, np.float64)
    if corners.shape != (4, 2) or not np.isfinite(corners).all():
        raise BadInputError(f"corners_px must be four x, y pairs, got shape {corners.shape}")
    if not cv2.isContourConvex(corners.astype(np.float32)):
        raise BadInputError("corners_px must go round the card in order")
    # A strong tilt can make the long side look short: the reading nearer to facing wins.
    sizes = (BANK_CARD_MM, BANK_CARD_MM[::-1])
    poses = [card_pose(corners, size, photo.rgb.shape[:2]) for size in sizes]
    px_per_mm, tilt_deg = min(poses, key=lambda pose: pose[1])
    tap = _TAP_SD_PX * np.sqrt(2) / float(side_lengths_px(corners).max())
    return Scale(
        px_per_mm, float(np.hypot(tap, _DEPTH_SD_FRAC)), source="bank card", corners_px=corners,
        tilt_deg=tilt_deg, flags=Flag.CARD_TILTED if tilt_deg > 45 else Flag.NONE
    )  # fmt: skip


def scale_from_fruit(fruitlets: Fruitlets, diameter_mm: float) -> Scale:
    """Scale from a typed fruit diameter: the median marked fruit is taken to have it.

    Parameters
    ----------
    fruitlets : Fruitlets
        Circles in px; those known to be off the limb are left out when others remain.
    diameter_mm : float, mm
        What a caliper shows for a middling fruit of this limb.

    Returns
    -------
    Scale
        Flagged ``SCALE_FROM_FRUIT``; the empty scale with ``NO_SCALE`` when there is no fruit.
    """
    diameter = positive("diameter_mm", diameter_mm)
    radii = fruitlets.r_px[(fruitlets.on_limb != 0) & np.isfinite(fruitlets.r_px)]
    if len(radii) == 0:
        radii = fruitlets.r_px[np.isfinite(fruitlets.r_px)]
    if len(radii) == 0:
        return Scale(flags=Flag.NO_SCALE)
    middle = float(np.median(radii))
    # Fruit of one limb spread by about 12 % (common practice, no source); the median of n of them
    # by 1.25 / sqrt(n) of that. The circles' own error does not average out: 8 %.
    relative = float(np.hypot(0.08, 1.25 * 0.12 / np.sqrt(len(radii))))
    return Scale(2 * middle / diameter, relative, source="fruit", flags=Flag.SCALE_FROM_FRUIT)


def scale_from_limb_length(length_px: float, length_mm: float) -> Scale:
    """Scale from the limb's length by tape.

    Parameters
    ----------
    length_px : float, px
        Along the limb's line in the photo.
    length_mm : float, mm
        From its base to its tip.

    Raises
    ------
    BadInputError
        When a length is not above 0.
    """
    px = positive("length_px", length_px)
    # Ends of a limb are read to a few per cent of its length, by eye and by the line alike.
    return Scale(px / positive("length_mm", length_mm), 0.04, source="limb length")


def marked_point(photo: Photo, name: str, point: Sequence[float]) -> FloatArray:
    """A tap as an array, checked to lie in the photo.

    Shape (2,), x and y in pixels.
    """
    at = np.asarray(point, np.float64)
    if at.shape != (2,) or not np.isfinite(at).all():
        raise BadInputError(f"{name} must be a finite x, y pair, got {point!r}")
    if not (-1 <= at[0] <= photo.width_px and -1 <= at[1] <= photo.height_px):
        raise BadInputError(
            f"{name} must be inside the {photo.width_px} x {photo.height_px} photo, got {point!r}"
        )
    return at
