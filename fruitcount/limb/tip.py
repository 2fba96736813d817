"""Where the limb's wood ends: followed past leaves and fruit as far as the same bark goes on.

The search for a path stops where its coarse field gets weak, or runs on into a fruit. Near the end
this photo's own bark is known from the limb itself, so the end is looked for again, finely: a
nearly straight path from the last sure stretch that gains where bark stands out from both sides,
loses a little behind leaves, nothing behind fruit, more where nothing hides the missing wood.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from fruitcount.image.opencv import sample_grid
from fruitcount.limb.centre import (
    Band,
    path_sums,
    places_across,
    smoothed,
    straight,
    traced,
    wood_at,
)
from fruitcount.limb.wood import bark_likelihood
from fruitcount.lines import along_line, point_on_line
from fruitcount.types import BoolArray, FloatArray, IntArray, Maps, Photo

# In half widths of the limb: spacing along and across, reach to either side, length of the sure
# stretch, piece of limb that gives its direction, and how far past the old end is looked.
_STEP, _ACROSS, _SIDE = 0.25, 0.125, 2.0
_SURE, _FIT, _ONWARD = 2.0, 12.0, 14.0
# The middle that is looked at, and the rim on either side from and to.
_CORE, _RIM = 0.4, (1.4, 2.4)
# Bark is learned on the outer part of the limb, where it is young.
_LEARN_FRAC = 0.45
# Likelihood of wood from which bark counts in full: young bark often gets no more from the map.
_WOODY = 0.35
# Contrast that pays for itself, and what a station costs behind fruit and behind leaves.
_EVEN, _FRUIT_TOLL, _LEAF_TOLL, _BEND_TOLL = 0.3, 0.02, 0.07, 0.05
_SURE_CONTRAST = 0.4
# On 25 path-traced limbs leaf tolls from 0.04 to 0.1, leaps from 0.5 to 1.5 and _WOODY from 0.25 to
# 0.35 find the same ends.
# After more than so many stations that did not pay, wood must bring this much in all: a width of
# bark, not a speck of it.
_GAP, _LEAP = 2, 1.0


@dataclass(frozen=True, eq=False)
class Hidden:
    """Discs (fruit) behind which nothing can be told, px."""

    x_px: FloatArray
    y_px: FloatArray
    r_px: FloatArray

    def covers(self, grid_px: FloatArray) -> BoolArray:
        """Whether each place of a grid (n, m, 2) lies behind one."""
        out = np.zeros(grid_px.shape[:2], bool)
        middle = grid_px[:, grid_px.shape[1] // 2]
        reach = float(np.hypot(*np.moveaxis(grid_px - middle[:, None], 2, 0)).max(initial=0.0))
        for x, y, r in zip(self.x_px, self.y_px, self.r_px, strict=True):
            # Only the rows that a disc can touch: a crowd of fruit is not tried everywhere.
            away = np.hypot(middle[:, 0] - x, middle[:, 1] - y)
            rows = np.flatnonzero(away < r + reach + 1e-6)
            if len(rows):
                some = grid_px[rows]
                out[rows] |= np.hypot(some[..., 0] - x, some[..., 1] - y) < r
        return out


@dataclass(frozen=True, eq=False)
class Ended:
    """A band with its last end looked for again.

    Attributes
    ----------
    band : Band
    seen : bool
        Whether the wood was seen to stop there, with nothing in front of it.
    """

    band: Band
    seen: bool = False


def ended(photo: Photo, maps: Maps | None, band: Band, hidden: Hidden) -> Ended:
    """Look again for where the wood ends at the band's last end.

    Parameters
    ----------
    photo : Photo
    maps : Maps or None
    band : Band
        Centred, evenly spaced.
    hidden : Hidden

    Returns
    -------
    Ended
        The band itself where no sure stretch of bark is found to go on from.
    """
    half = band.half_px
    total = float(along_line(band.line_px)[-1])
    if not np.isfinite(half) or total < 30 * half:
        return Ended(band)
    near = point_on_line(band.line_px, np.arange((1 - _LEARN_FRAC) * total, total, _STEP * half))
    strip = _strip(photo, maps, near, half, hidden)
    sure = _last_sure(strip)
    heading = None if sure is None else _heading(strip, sure)
    if sure is None or heading is None:
        return Ended(band)
    start, ahead = heading
    left = float(along_line(near[sure:])[-1])
    reach = np.arange(0, left + _ONWARD * half, _STEP * half)
    onward = start + reach[:, None] * ahead
    strip = _strip(photo, maps, np.vstack([near[: sure + 1], onward]), half, hidden)
    path, told, seen = _followed(strip, sure + 1)
    along = along_line(band.line_px)
    joined = total - left
    kept = along < joined - 2 * half
    line = np.vstack([band.line_px[kept], path])
    support = np.append(band.support[kept], told)
    return Ended(_even(band, line, support), seen)


@dataclass(frozen=True, eq=False)
class _Strip:
    """What stands along a line (n) and across it (m).

    ``grid_px`` holds the places (n, m, 2). ``contrast`` is bark on a narrow middle, as far as
    nothing hides it, minus bark on the barkier of both sides, -1 to 1. ``covered`` tells where
    fruit hide most of the middle, ``leafy`` where it is green.
    """

    line_px: FloatArray
    grid_px: FloatArray
    contrast: FloatArray
    covered: BoolArray
    leafy: BoolArray


def _strip(
    photo: Photo, maps: Maps | None, line: FloatArray, half: float, hidden: Hidden
) -> _Strip:
    count = round(_SIDE / _ACROSS)
    rim = round(_RIM[1] / _ACROSS)
    offset = np.arange(-count - rim, count + rim + 1, dtype=np.float64) * (_ACROSS * half)
    grid = places_across(line, offset)
    colours = sample_grid(photo.rgb, grid[..., 0], grid[..., 1])
    wood = wood_at(maps, colours, grid)
    # A leaf may have the bark's colour: what is hardly wood by the map counts in part.
    bark = bark_likelihood(colours, offset, half, wood) * np.clip(wood / _WOODY, 0, 1)
    open_ = ~hidden.covers(grid)
    leafy = _green(colours)
    seen = _Runs(open_.astype(np.float64), rim, count)
    inner = _Runs(bark * open_, rim, count)
    outer = _Runs(bark * (open_ & ~leafy), rim, count)  # fruit and leaves are no bark beside it
    share = seen.mean(-_CORE, _CORE)
    low, high = _RIM
    beside = np.maximum(outer.mean(-high, -low), outer.mean(low, high))
    contrast = inner.mean(-_CORE, _CORE) / np.maximum(share, 0.25) - beside
    middle = slice(rim, rim + 2 * count + 1)
    return _Strip(line, grid[:, middle], contrast, share < 0.5, leafy[:, middle])


class _Runs:
    """Means over pieces of each row of a grid, smoothed a little along the line."""

    def __init__(self, values: FloatArray, rim: int, count: int) -> None:
        smooth = uniform_filter1d(values, 3, axis=0)
        self.total = np.pad(np.cumsum(smooth, axis=1), ((0, 0), (1, 0)))
        self.at = np.arange(rim, rim + 2 * count + 1)

    def mean(self, low: float, high: float) -> FloatArray:
        """Mean from ``low`` to ``high`` half widths off each place of the strip."""
        a, b = round(low / _ACROSS), round(high / _ACROSS) + 1
        total = self.total[:, self.at + b] - self.total[:, self.at + a]
        return np.asarray(total / (b - a), np.float64)


def _green(colours: FloatArray) -> BoolArray:
    """Leaf-like: green by more than an eighth of its light (see ``colour_wood``)."""
    c = np.nan_to_num(colours) / 255
    red, green, blue = c[..., 0], c[..., 1], c[..., 2]
    return np.asarray((2 * green - red - blue) / (red + green + blue + 0.12) > 0.13, np.bool_)


def _last_sure(strip: _Strip) -> int | None:
    """Last station of the last stretch where bark is sure close to the line."""
    centre = strip.contrast.shape[1] // 2
    reach = round(0.6 / _ACROSS)
    close = strip.contrast[:, centre - reach : centre + reach + 1].max(axis=1)
    window = max(3, round(_SURE / _STEP))
    level = uniform_filter1d((close > _SURE_CONTRAST).astype(np.float64), window, mode="constant")
    sure = np.flatnonzero(level > 0.85)
    return int(sure[-1]) if len(sure) else None


def _heading(strip: _Strip, sure: int) -> tuple[FloatArray, FloatArray] | None:
    """A place on the wood's middle at the sure station and the direction onwards."""
    first = max(0, sure - round(_FIT / _STEP))
    rows = np.arange(first, sure + 1)
    weight = np.where(strip.contrast[rows] > _SURE_CONTRAST, strip.contrast[rows], 0.0)
    held = weight.sum(axis=1)
    good = held > 0
    if good.sum() < 6:
        return None
    places = (strip.grid_px[rows] * weight[..., None]).sum(axis=1)[good] / held[good][:, None]
    middle = places.mean(axis=0)
    ahead = straight(places)
    return middle + ((strip.line_px[sure] - middle) @ ahead) * ahead, ahead


def _followed(strip: _Strip, first: int) -> tuple[FloatArray, FloatArray, bool]:
    """Best path on from station ``first``, the contrast along it, and whether its end is open."""
    contrast = strip.contrast[first:]
    grid = strip.grid_px[first:]
    covered = strip.covered[first:]
    gain = contrast - _EVEN
    leaf = strip.leafy[first:] & (gain < 0)
    gain = np.where(leaf, np.maximum(gain, -_LEAF_TOLL), gain)
    gain = np.where(covered, -_FRUIT_TOLL, gain)
    column, last = _best(gain)
    rows = np.arange(last + 1)
    offset = gaussian_filter1d(column.astype(np.float64), 1 / _STEP, mode="nearest")
    low = np.clip(offset.astype(np.int64), 0, grid.shape[1] - 2)
    part = (offset - low)[:, None]
    path = grid[rows, low] * (1 - part) + grid[rows, low + 1] * part
    beyond = slice(last + 1, last + 1 + round(2 / _STEP))
    at = int(column[last])
    open_ = ~covered[beyond, at] & ~leaf[beyond, at]
    return path, contrast[rows, low], bool(len(open_)) and bool(open_.mean() > 0.7)


def _best(gain: FloatArray) -> tuple[IntArray, int]:
    """Columns of the path with the largest gain from the middle of the first row, and its end."""
    aside = np.abs(np.arange(gain.shape[1]) - gain.shape[1] // 2) > 2
    first = np.where(aside, -np.inf, gain[0])
    total, came = path_sums(np.vstack([first, gain[1:]]), {0: 0.0, -1: _BEND_TOLL, 1: _BEND_TOLL})
    best, last = total[0].max(), 0
    for row, most in enumerate(total.max(axis=1).tolist()):
        if most > best + (_LEAP if row - last > _GAP else 1e-9):
            best, last = most, row
    return traced(came[: last + 1], int(np.argmax(total[last]))), last


def _even(band: Band, line: FloatArray, support: FloatArray) -> Band:
    along = along_line(line)
    even = np.linspace(0, along[-1], len(band.line_px))
    placed = smoothed(point_on_line(line, even), 0.006)
    return replace(band, line_px=placed, support=np.interp(even, along, support))
