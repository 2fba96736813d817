"""Fit the four sides of a card's black square to a fraction of a pixel; how the card is turned.

Across each side many short profiles are read; where the light steps from dark (inside) to light
(the white rim) is the side. A line is fitted robustly through those points, and neighbouring
lines meet in the corners. Profiles without the step tell how much of the outline is hidden.

The four corners tell where the card is and how it is turned, hence the scale of a plane parallel to
the picture at its depth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitcount.image.opencv import cv2, sample_grid
from fruitcount.image.quality import linear
from fruitcount.types import BoolArray, FloatArray, Pixels

# Main cameras of phones have focal lengths of about 24 to 28 mm in 35 mm terms; 27 mm over the
# 43.27 mm diagonal of that frame. A general figure, from memory; a card near the middle of the
# picture hardly depends on it.
FOCAL_SHARE = 27.0 / 43.27


def card_pose(
    corners_px: FloatArray, size_mm: tuple[float, float], shape: tuple[int, ...]
) -> tuple[float, float]:
    """Scale of a card's place, and how far the card is tilted.

    Parameters
    ----------
    corners_px : array, shape (4, 2)
        In order round the card, either way, starting anywhere.
    size_mm : tuple of float
        Length of the side that lies nearer to level in the picture, and of the other.
    shape : tuple
        Rows and columns of the picture.

    Returns
    -------
    px_per_mm : float
        Of a plane parallel to the picture at the depth of the card's centre.
    tilt_deg : float
        Between the card's plane and the picture plane.

    Notes
    -----
    OpenCV's pose of a plane: Collins and Bartoli, Infinitesimal plane-based pose estimation,
    International Journal of Computer Vision 109, 2014.
    """
    rows, columns = shape[:2]
    focal = FOCAL_SHARE * float(np.hypot(rows, columns))
    camera = np.array([[focal, 0, (columns - 1) / 2], [0, focal, (rows - 1) / 2], [0, 0, 1]])
    plane = np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * [*size_mm, 0] / 2
    # clockwise from the upper left: half a turn about any axis is told poorly
    x, y = (corners_px - corners_px.mean(axis=0)).T
    corners = corners_px[np.argsort(np.arctan2(y, x))]
    first = int(np.argmin(corners.sum(axis=1)))
    corners = np.roll(corners, -first, axis=0).astype(np.float64)[:, None]
    how = cv2.SOLVEPNP_IPPE
    _, turns, places, _ = cv2.solvePnPGeneric(plane, corners, camera, None, flags=how)
    facing = abs(float(cv2.Rodrigues(turns[0])[0][2, 2]))
    return focal / float(places[0][2, 0]), float(np.degrees(np.arccos(min(facing, 1.0))))


# Point and direction.
Line = tuple[FloatArray, FloatArray]

_PROFILES = 41
_SAMPLES = 33


@dataclass(frozen=True, eq=False)
class SideFit:
    """Corners fitted from the sides.

    Attributes
    ----------
    corners_px : array, shape (4, 2)
    residual_px : float
        Root mean square distance of the side points used from their lines.
    broken_frac : float
        Share of the outline without a clear dark-to-light step on its line.
    """

    corners_px: FloatArray
    residual_px: float
    broken_frac: float


def fit_sides(grey: Pixels, rough_px: FloatArray) -> SideFit:
    """Refine rough corners on the full picture.

    Parameters
    ----------
    grey : uint8 array, shape (rows, columns)
    rough_px : array, shape (4, 2)
        Corners to about 2 % of the side, clockwise or counter-clockwise.

    Returns
    -------
    SideFit
        The rough corners with ``broken_frac`` 1 when the sides cannot be fitted.
    """
    corners = rough_px
    points: list[FloatArray] = []
    for _ in range(2):  # the second round starts from the first one's lines
        points = [_side_points(grey, corners, k) for k in range(4)]
        lines = [_robust_line(p) for p in points]
        if any(line is None for line in lines):
            return SideFit(rough_px, float("nan"), 1.0)
        fitted = meeting_corners([line for line in lines if line is not None])
        side_px = float(side_lengths_px(rough_px).mean())
        shift = np.linalg.norm(fitted - rough_px, axis=1).max()
        if not np.isfinite(fitted).all() or shift > 0.15 * side_px + 2:
            return SideFit(rough_px, float("nan"), 1.0)
        corners = fitted
    return _judge(corners, points)


def _side_points(grey: Pixels, corners: FloatArray, k: int) -> FloatArray:
    """Edge points (41, 2) across side k, from corner k to the next; NaN where there is no step."""
    start, end = corners[k], corners[(k + 1) % 4]
    along = end - start
    length = float(np.hypot(*along))
    outward = np.array([along[1], -along[0]]) / max(length, 1e-9)
    if np.dot(outward, start - corners.mean(axis=0)) < 0:
        outward = -outward
    # A cell is a sixth of the side: the profile stays within the black border and the white rim.
    reach = _reach(corners, k, outward)
    share = np.linspace(0.06, 0.94, _PROFILES)
    depth = np.linspace(-reach, reach, _SAMPLES)
    base = start + share[:, None] * along
    grid = base[:, None, :] + depth[None, :, None] * outward
    light = linear(sample_grid(grey, grid[..., 0], grid[..., 1]))
    position = _step_position(light, depth)
    return np.asarray(base + position[:, None] * outward, np.float64)


def _reach(corners: FloatArray, k: int, outward: FloatArray) -> float:
    far = [abs(float(np.dot(outward, corners[(k + n) % 4] - corners[k]))) for n in (2, 3)]
    return float(np.clip(0.8 * min(far) / 6, 2.0, 14.0))


def _step_position(light: FloatArray, depth: FloatArray) -> FloatArray:
    """Where each profile crosses half way between its dark inner and its light outer level."""
    quarter = max(2, light.shape[1] // 5)
    dark = np.median(light[:, :quarter], axis=1)
    bright = np.median(light[:, -quarter:], axis=1)
    step = bright - dark
    clear = step > 0.35 * np.nanmedian(np.abs(step)) if np.isfinite(step).any() else step > 0
    clear &= step > 0.02
    half = (dark + bright) / 2
    above = light > half[:, None]
    # The crossing nearest the middle of the profile, so that print specks do not count.
    crossing = ~above[:, :-1] & above[:, 1:]
    middle = np.abs(np.arange(crossing.shape[1]) - crossing.shape[1] / 2)
    cost = np.where(crossing, middle, np.inf)
    at = np.argmin(cost, axis=1)
    rows = np.arange(len(light))
    low, high = light[rows, at], light[rows, at + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = (half - low) / (high - low)
    out = depth[at] + part * (depth[1] - depth[0])
    out[~clear | ~crossing.any(axis=1)] = np.nan
    return np.asarray(out, np.float64)


def _robust_line(points: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """Point and direction of the line through the agreeing points; None with too few."""
    good = points[np.isfinite(points).all(axis=1)]
    if len(good) < 8:
        return None
    keep = _most_in_line(good)
    for _ in range(6):
        centre, direction = _principal(good[keep])
        distance = np.abs(_across(good, centre, direction))
        limit = max(3 * 1.4826 * float(np.median(distance[keep])), 0.25)
        new = distance <= limit
        if new.sum() < 8 or (new == keep).all():
            break
        keep = new
    centre, direction = _principal(good[keep])
    return centre, direction


def _most_in_line(points: FloatArray) -> BoolArray:
    """The points near the line through that pair of them which has most of them near it."""
    first, second = np.triu_indices(len(points), 5)
    along = points[second] - points[first]
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    near = np.abs(_across(points, points[first, None], along[:, None])) <= 0.5
    return np.asarray(near[near.sum(axis=1).argmax()])


def _principal(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    centre = points.mean(axis=0)
    _, _, axes = np.linalg.svd(points - centre, full_matrices=False)
    return centre, axes[0]


def _across(points: FloatArray, centre: FloatArray, direction: FloatArray) -> FloatArray:
    d = points - centre
    return np.asarray(d[..., 0] * direction[..., 1] - d[..., 1] * direction[..., 0], np.float64)


def side_lengths_px(corners_px: FloatArray) -> FloatArray:
    """Length of each side, the k-th from corner k to the next.

    Corners of shape (4, 2), x and y; lengths of shape (4,).
    """
    return np.asarray(np.linalg.norm(corners_px - np.roll(corners_px, -1, axis=0), axis=1))


def meeting_corners(lines: list[Line], least_sine: float = 1e-6) -> FloatArray:
    """Corners of four sides: side k-1 meets side k in corner k.

    Shape (4, 2), x and y in pixels.

    Parameters
    ----------
    lines : list of Line
    least_sine : float
        Lines that meet at a smaller angle are taken for parallel and give NaN. Larger takes more.
    """
    out = np.full((4, 2), np.nan)
    for k in range(4):
        (p, u), (q, v) = lines[k - 1], lines[k]
        matrix = np.column_stack([u, -v])
        both = float(np.linalg.norm(u) * np.linalg.norm(v))
        if abs(np.linalg.det(matrix)) > least_sine * both:
            out[k] = p + u * np.linalg.solve(matrix, q - p)[0]
    return out


def _judge(corners: FloatArray, points: list[FloatArray]) -> SideFit:
    squares: list[float] = []
    broken = 0
    for k in range(4):
        along = corners[(k + 1) % 4] - corners[k]
        length = float(np.hypot(*along))
        distance = np.abs(_across(points[k], corners[k], along / length))
        on_line = distance <= max(1.0, 0.01 * length)  # NaN counts as broken
        broken += int((~on_line).sum())
        squares.extend((distance[on_line] ** 2).tolist())
    residual = float(np.sqrt(np.mean(squares))) if squares else float("nan")
    return SideFit(corners, residual, broken / (4 * _PROFILES))
