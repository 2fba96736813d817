"""Move a rough path onto the middle of the wood, smoothly.

Straightened along the rough path, the picture shows the limb as a band that hardly wanders. For
each place the band's contrast (wood inside, not wood on both sides) is known for every offset and
half-width; the offsets that together have the most contrast without jumping are found exactly by
dynamic programming.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from fruitcount.fruitlets import F32, FloatArray, IntArray
from fruitcount.image.reduce import sample_grid
from fruitcount.limb.wood import colour_wood
from fruitcount.lines import resampled
from fruitcount.types import Maps, Photo

_STATIONS = 200
# Half width of the thickest limb looked for, as a share of the photo's long side.
_MAX_HALF_FRAC = 0.075


@dataclass(frozen=True, eq=False)
class Band:
    """A centred line and what supports it.

    Attributes
    ----------
    line_px : array, shape (N, 2)
        Evenly spaced.
    support : array, shape (N,)
        -1 to 1: wood inside minus wood on the woodier side.
    half_px : float
        Typical half width of the supported part.
    """

    line_px: FloatArray
    support: FloatArray
    half_px: float

    def reversed(self) -> Band:
        """The same band from its other end."""
        return Band(self.line_px[::-1], self.support[::-1], self.half_px)


def smoothed(line_px: FloatArray, share: float) -> FloatArray:
    """Gaussian smoothing of an evenly spaced line, ends held, sigma as a share of its length.

    Shape (N, 2) before and after, x and y in pixels.

    Smoothing the departure from the straight chord, odd at the ends, keeps the ends in place.
    """
    sigma = share * len(line_px)
    if sigma < 0.3:
        return line_px
    chord = np.linspace(line_px[0], line_px[-1], len(line_px))
    bent = line_px - chord
    mirrored = np.concatenate([-bent[:0:-1], bent, -bent[-2::-1]])
    smooth = gaussian_filter1d(mirrored, sigma, axis=0)[len(bent) - 1 : 2 * len(bent) - 1]
    return np.asarray(chord + smooth, np.float64)


def normals(line_px: FloatArray) -> FloatArray:
    """Unit vectors across the line at each vertex, shape (N, 2)."""
    tangent = np.gradient(line_px, axis=0)
    length = np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)
    return np.column_stack([-tangent[:, 1], tangent[:, 0]]) / length[:, None]


def straight(points: FloatArray) -> FloatArray:
    """Unit vector of the straight line nearest to points (N, 2), from the first to the last.

    The vector has shape (2,).
    """
    x, y = (points - points.mean(axis=0)).T
    turn = 0.5 * float(np.arctan2(2 * (x @ y), x @ x - y @ y))  # long axis of the covariance
    ahead = np.array([np.cos(turn), np.sin(turn)])
    return ahead if ahead @ (points[-1] - points[0]) >= 0 else -ahead


def wood_at(maps: Maps | None, colours: FloatArray, grid_px: FloatArray) -> FloatArray:
    """Likelihood of wood on a grid of photo positions: by colour, and the map where it tells.

    Parameters
    ----------
    maps : Maps or None
    colours : array, shape (n, m, 3)
        RGB 0-255 at the grid; NaN outside the photo.
    grid_px : array, shape (n, m, 2)
        Photo x, y.
    """
    wood = np.asarray(colour_wood(np.nan_to_num(colours, nan=255.0)), np.float64)
    if maps is None or not np.isfinite(maps.wood).any():
        return wood
    cell = (grid_px + 0.5) / maps.px_per_cell - 0.5
    told = sample_grid(maps.wood, cell[..., 0], cell[..., 1])
    return np.where(np.isfinite(told), 0.25 * wood + 0.75 * told, wood)


def centred(photo: Photo, maps: Maps | None, rough_px: FloatArray, reach_px: float) -> Band:
    """Centre a rough path on the wood.

    Parameters
    ----------
    photo : Photo
    maps : Maps or None
    rough_px : array, shape (N, 2)
    reach_px : float, px
        How far the middle of the limb may lie from the rough path. Larger mends worse paths but
        may jump to a neighbouring limb.
    """
    long_side = max(photo.rgb.shape[:2])
    line = smoothed(resampled(rough_px, _STATIONS), 0.03)
    step = max(0.7, long_side / 640)
    count = int(np.ceil((reach_px + 1.4 * _MAX_HALF_FRAC * long_side) / step))
    offset = np.arange(-count, count + 1) * step
    grid = line[:, None, :] + offset[None, :, None] * normals(line)[:, None, :]
    colours = sample_grid(photo.rgb, grid[..., 0], grid[..., 1])
    support, half_px = _contrast(wood_at(maps, colours, grid), step, long_side)
    middle = np.abs(offset) <= reach_px
    chosen = _steady(support[:, middle] - 0.1 * np.abs(offset[middle]) / reach_px)
    column = np.flatnonzero(middle)[chosen]
    shift = gaussian_filter1d(offset[column], 3.0)
    moved = line + shift[:, None] * normals(line)
    rows = np.arange(len(line))
    good = support[rows, column] > 0.25
    half = half_px[rows, column]
    typical = float(np.median(half[good])) if good.any() else float("nan")
    return Band(smoothed(moved, 0.012), support[rows, column], typical)


def _contrast(wood: FloatArray, step: float, long_side: int) -> tuple[FloatArray, FloatArray]:
    """Best contrast over half widths at each place and offset, and that half width in px."""
    # Offsets by stations, so that a window across the limb is a run of whole rows.
    smooth = gaussian_filter1d(np.ascontiguousarray(wood.T, np.float32), 2.0, axis=1)
    width = len(smooth)
    largest = _MAX_HALF_FRAC * long_side / step
    # Sums up to each place; beyond the ends they go on unchanged, so that windows are slices.
    spare = 2 * int(largest) + 6
    sums = np.pad(np.cumsum(smooth, axis=0), ((1, 0), (0, 0)))
    total = np.pad(sums, ((spare, spare), (0, 0)), mode="edge")
    within = np.clip(np.arange(len(total)) - spare, 0, width)
    best = np.full(smooth.shape, -1.0, np.float32)
    half_of = np.full(smooth.shape, np.nan, np.float32)

    def mean(low: int, high: int) -> F32:
        """Mean wood from ``low`` to under ``high`` about each place."""
        first, last = (slice(spare + k, spare + k + width) for k in (low, high))
        window = total[last] - total[first]
        count = np.maximum(within[last] - within[first], 1)
        window *= (1 / count).astype(np.float32)[:, None]
        return np.asarray(window, np.float32)

    for half in np.unique(np.rint(np.geomspace(1, largest, 14)).astype(np.int64)):
        rim = max(2, int(half) // 2)
        value = mean(-half, half + 1)
        left, right = mean(-half - 1 - rim, -half - 1), mean(half + 2, half + 2 + rim)
        value -= np.maximum(left, right, out=left)
        # A wide band of equal contrast holds more evidence than a streak within it.
        value *= np.float32(1 + 0.02 * np.log(half))
        np.copyto(half_of, (half + 0.5) * step, where=value > best)
        np.maximum(best, value, out=best)
    return best.T.astype(np.float64), half_of.T.astype(np.float64)


def _steady(gain: FloatArray) -> IntArray:
    """Columns, one a row, with the largest total gain; neighbours differ by at most two steps."""
    rows, columns = gain.shape
    came = np.zeros((rows, columns), np.int8)
    toll = 0.06 * np.abs(np.arange(-2, 3)) ** 1.5
    total = np.full(columns + 4, -np.inf)  # nothing comes from the two columns beyond
    total[2:-2] = gain[0]
    before = np.lib.stride_tricks.sliding_window_view(total, columns)  # from k - 2 columns before
    for row in range(1, rows):
        options = before - toll[:, None]
        came[row] = options.argmax(axis=0)
        np.add(options.max(axis=0), gain[row], out=total[2:-2])
    path = np.zeros(rows, np.int64)
    path[-1] = int(np.argmax(total[2:-2]))
    for row in range(rows - 1, 0, -1):
        path[row - 1] = path[row] + came[row, path[row]] - 2
    return path
