"""The limb as a band: its line on the middle of the wood, its thickness and taper.

Straightened along the rough path, the picture shows the limb as a band that hardly wanders. For
each place the band's contrast (wood inside, not wood on both sides) is known for every offset and
half-width; the offsets that together have the most contrast without jumping are found exactly by
dynamic programming. Along that line the thickness is then read across, and a taper goes through the
readings.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter

from fruitcount.image.opencv import sample_grid
from fruitcount.limb.wood import Scene, bark_likelihood, colour_wood
from fruitcount.lines import along_line, resampled
from fruitcount.types import F32, FloatArray, IntArray, Maps

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


def places_across(line_px: FloatArray, offset_px: FloatArray) -> FloatArray:
    """Places at each of M offsets across each of N vertices, shape (N, M, 2)."""
    return line_px[:, None, :] + offset_px[None, :, None] * normals(line_px)[:, None, :]


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


def centred(scene: Scene, rough_px: FloatArray, reach_px: float) -> Band:
    """Centre a rough path on the wood.

    Parameters
    ----------
    scene : Scene
    rough_px : array, shape (N, 2)
    reach_px : float, px
        How far the middle of the limb may lie from the rough path. Larger mends worse paths but
        may jump to a neighbouring limb.
    """
    long_side = max(scene.photo.rgb.shape[:2])
    line = smoothed(resampled(rough_px, _STATIONS), 0.03)
    step = max(0.7, long_side / 640)
    count = int(np.ceil((reach_px + 1.4 * _MAX_HALF_FRAC * long_side) / step))
    offset = np.arange(-count, count + 1) * step
    grid = places_across(line, offset)
    colours = sample_grid(scene.photo.rgb, grid[..., 0], grid[..., 1])
    support, half_px = _contrast(wood_at(scene.maps, colours, grid), step, long_side)
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
    shifts = np.arange(-2, 3)
    toll = 0.06 * np.abs(shifts[:, None]) ** 1.5
    total, came = gain[0], np.zeros(gain.shape, np.int64)
    for row in range(1, len(gain)):
        before = np.pad(total, 2, constant_values=-np.inf)  # nothing comes from beyond the rim
        options = np.lib.stride_tricks.sliding_window_view(before, gain.shape[1]) - toll
        came[row] = shifts[options.argmax(axis=0)]
        total = gain[row] + options.max(axis=0)
    path = np.full(len(gain), int(np.argmax(total)))
    for row in range(len(gain) - 1, 0, -1):
        path[row - 1] = path[row] + came[row, path[row]]
    return path


_SAMPLES = 161
# Weight of readings above the taper, of 1 for both sides. Nodes and spurs thicken a limb here
# and there, nothing thins it. Chosen from 0.15 to 0.5 on sixteen path-traced limbs, where base
# diameters came out 10 % too large at 0.5; on seven held back 5 % too large at 0.2.
_ABOVE = 0.2
# Pull of the curvature towards 0, per reading. 0.02 lets clear curves through.
_CURVE_HOLD = 0.02


@dataclass(frozen=True, eq=False)
class Taper:
    """A nearly straight taper through the readings.

    Attributes
    ----------
    first_px, last_px : float
        Width at the line's first and last vertex; NaN with too few readings.
    rel_sd_frac : float
        Standard deviation of the fitted widths as a share of them.
    slope_z : float
        Change of width along the line in standard deviations; negative when it gets thinner.
    curve : tuple of float, px
        Mean width, slope and bend over the line's length.
    """

    first_px: float
    last_px: float
    rel_sd_frac: float
    slope_z: float
    curve: tuple[float, float, float] = (float("nan"), 0.0, 0.0)

    def at(self, share: float) -> float:
        """Width at a share of the line's length, px; never under a quarter of the mean."""
        mean, slope, bend = self.curve
        off = share - 0.5
        return max(mean + slope * off + bend * (off**2 - 1 / 12), 0.25 * max(mean, 1e-9))


def measure_width(
    scene: Scene, line_px: FloatArray, half_px: float, hidden: tuple[FloatArray, ...] = ()
) -> FloatArray:
    """Width across the line at each vertex, px; NaN where the wood is hidden or has no clear edge.

    Parameters
    ----------
    scene : Scene
        The ``wood`` of its maps helps to learn this photo's bark, where finite.
    line_px : array, shape (N, 2)
        Evenly spaced, near the middle of the wood.
    half_px : float, px
        Expected half width; edges are looked for up to three times as far.
    hidden : tuple of arrays (x, y, r), optional
        Discs (fruit) whose stations are not measured.
    """
    if not np.isfinite(half_px):
        return np.full(len(line_px), np.nan)
    offset = np.linspace(-1, 1, _SAMPLES) * max(3.2 * half_px, 4.0)
    grid = places_across(line_px, offset)
    colours = sample_grid(scene.photo.rgb, grid[..., 0], grid[..., 1])
    wood = wood_at(scene.maps, colours, grid)
    bark = bark_likelihood(colours, offset, half_px, wood)
    bark = median_filter(bark, size=(3, 3), mode="nearest")
    for x, y, r in zip(*hidden, strict=True) if hidden else ():
        bark[np.hypot(line_px[:, 0] - x, line_px[:, 1] - y) < r + half_px] = np.nan
    left, right = _edges(bark, offset, half_px)
    first, last = _likeliest_taper(bark, offset, half_px)
    expected = np.linspace(first, last, len(line_px))
    width = right - left
    off = np.abs(width / expected - 1)
    width[~(off < 0.35)] = np.nan  # forks, leaves and shadows lie far from the common taper
    return width


def _edges(bark: FloatArray, offset: FloatArray, half_px: float) -> tuple[FloatArray, FloatArray]:
    """Where the bark ends on either side of the middle: crossings of half its inner level."""
    rows = np.arange(len(bark))
    inner = np.abs(offset) <= 0.6 * half_px
    level = np.median(bark[:, inner], axis=1)
    # Start from the likeliest place near the middle, as the line may be off by part of a width.
    start = np.flatnonzero(inner)[np.argmax(bark[:, inner], axis=1)]
    step = offset[1] - offset[0]
    outside = bark < 0.5 * level[:, None]
    index = np.arange(bark.shape[1])
    beyond = outside & (index[None, :] > start[:, None])
    before = outside & (index[None, :] < start[:, None])
    right_at = np.argmax(beyond, axis=1)
    left_at = bark.shape[1] - 1 - np.argmax(before[:, ::-1], axis=1)
    right = offset[right_at] - step * _part(bark, rows, right_at, -1, level)
    left = offset[left_at] + step * _part(bark, rows, left_at, 1, level)
    with np.errstate(invalid="ignore"):
        clear = level >= 0.45
    right[~beyond.any(axis=1) | ~clear] = np.nan
    left[~before.any(axis=1) | ~clear] = np.nan
    return left, right


def _part(
    bark: FloatArray, rows: NDArray[Any], at: NDArray[Any], side: int, level: FloatArray
) -> FloatArray:
    """Share of a step back from the first outside sample to the crossing."""
    outer = bark[rows, at]
    inner = bark[rows, np.clip(at + side, 0, bark.shape[1] - 1)]
    gap = np.where(inner - outer > 1e-9, inner - outer, 1.0)
    return np.asarray(np.clip((0.5 * level - outer) / gap, 0, 1), np.float64)


def _likeliest_taper(bark: FloatArray, offset: FloatArray, half_px: float) -> tuple[float, float]:
    """First and last width whose two edges together meet the most dark-to-light steps.

    Every station votes for both edges at once, so a stretch behind a leaf only abstains.
    """
    step = offset[1] - offset[0]
    sigma = max(1.0, 0.12 * half_px / step)
    slope = gaussian_filter1d(np.nan_to_num(bark, nan=0.0), sigma, axis=1, order=1)
    middle = len(offset) // 2
    # Both edges at the same distance from the middle; a line a little off still meets in part.
    rising = slope[:, middle::-1]  # left side, outwards
    falling = -slope[:, middle:]
    edge = np.maximum(rising, 0) + np.maximum(falling, 0)
    edge = gaussian_filter1d(edge, 1.5 * sigma, axis=1)
    share = np.linspace(0, 1, len(bark))
    halves = half_px * np.geomspace(0.35, 2.6, 45)
    at = (halves[:, None, None] * (1 - share) + halves[:, None] * share) / step
    column = np.minimum(np.rint(at).astype(np.int32), edge.shape[1] - 1)
    column += np.arange(len(bark), dtype=np.int32) * edge.shape[1]
    votes = edge.ravel()[column].sum(axis=2)  # first by last
    ratio = halves / halves[:, None]
    votes[(ratio >= 3.2) | (ratio <= 1 / 3.2)] = -1.0
    first, last = np.unravel_index(int(np.argmax(votes)), votes.shape)
    return 2 * float(halves[first]), 2 * float(halves[last])


def fit_taper(line_px: FloatArray, width_px: FloatArray) -> Taper:
    """Robust, slightly curved taper through the widths along the line.

    Readings at forks and behind leaves lie far off and count little (Huber weights). Thickness
    is meant between the nodes, where a caliper is put (common practice, no source): readings
    above the curve, on swollen nodes and spurs, count less than those below it.

    Parameters
    ----------
    line_px : array, shape (N, 2)
    width_px : array, shape (N,)
        NaN where not told.

    Returns
    -------
    Taper
        NaN widths with fewer than eight readings.
    """
    known = np.isfinite(width_px)
    if known.sum() < 8:
        return Taper(float("nan"), float("nan"), float("nan"), 0.0)
    along = along_line(line_px)
    share = (along / max(along[-1], 1e-9) - 0.5)[known]
    design = np.column_stack([np.ones_like(share), share, share**2 - 1 / 12])
    fitted, spread = _huber(design, width_px[known])
    covariance = _covariance(design[:, :2], spread)
    curve = (float(fitted[0]), float(fitted[1]), float(fitted[2]))
    ends = np.array([[1, -0.5], [1, 0.5]])
    sd = float(np.sqrt(np.max(np.einsum("ij,jk,ik->i", ends, covariance, ends))))
    slope_z = float(fitted[1] / np.sqrt(covariance[1, 1] + 1e-12))
    taper = Taper(0.0, 0.0, sd / max(curve[0], 1e-9), slope_z, curve)
    return replace(taper, first_px=taper.at(0), last_px=taper.at(1))


def _covariance(design: FloatArray, spread: float) -> FloatArray:
    """Of mean and slope. Neighbouring readings share their error: about one in five counts."""
    independent = max(len(design) / 5, 3.0)
    weight = design.T @ design / len(design) * independent + 1e-9 * np.eye(2)
    return np.asarray(np.linalg.inv(weight) * spread**2, np.float64)


def _huber(design: FloatArray, values: FloatArray) -> tuple[FloatArray, float]:
    """Fit with small weights far off and above, its curvature held back; and the spread."""
    held = np.array([[0.0, 0.0, np.sqrt(_CURVE_HOLD * len(values))]])
    weight = np.ones(len(values))
    fitted: FloatArray = np.zeros(design.shape[1])
    spread = float(np.std(values))
    for _ in range(25):
        root = np.sqrt(weight)
        rows = np.vstack([design * root[:, None], held])
        found = np.linalg.lstsq(rows, np.append(values * root, 0.0), rcond=None)[0]
        fitted = np.asarray(found, np.float64)
        off = values - design @ fitted
        spread = max(1.4826 * float(np.median(np.abs(off))), 0.05)
        far = np.minimum(1.0, 1.345 * spread / np.maximum(np.abs(off), 1e-9))
        weight = far * np.where(off > 0, 2 * _ABOVE, 2 * (1 - _ABOVE))
    return fitted, spread


def median_or_nan(values: FloatArray) -> float:
    """Median of the finite values; NaN where there is none.

    ``values`` may have any shape.
    """
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")
