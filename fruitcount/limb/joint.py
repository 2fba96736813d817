"""Where the limb leaves the branch or trunk that bears it.

A search for the longest woody path runs on into the parent, across it or along it. The parent is
known by its side: a straight border, square to the limb or aslant, with wood behind it and none
before it, on both sides of the limb. The limb begins where its own straight line meets that
border: at its collar.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fruitcount.image.opencv import sample_grid
from fruitcount.limb.centre import Band, places_across, straight
from fruitcount.lines import along_line, point_on_line
from fruitcount.types import BoolArray, FloatArray, IntArray, Maps

# Both sides' wood behind the border minus wood before it; 1 is a clean border. What leaves at a
# sharp angle is more often a fork of the limb itself, and a limb is thickest at its collar: a sharp
# angle takes off up to so much, a thin limb so much for each part it lacks of its middle width.
# So counted, 28 path-traced collars had 0.46 to 0.92 and the other ends of 46 photos, phone photos
# among them, up to 0.51 (three over 0.45).
_LEAST_SCORE = 0.45
_SHARP, _THIN = 0.13, 0.25
_REACH_WIDTHS = 6.0
# Only the outer parts of a path can be a parent; wide wood farther in is a fork or a cluster.
_OUTER_FRAC = 0.25
# The parent may leave the limb at any angle from here to square.
_LEAST_TURN_DEG = 40.0
_TURNS = 7
# In half widths of the limb: how far along the border, behind it and before it wood is looked at,
# and how much beside the limb is left out (its swollen collar).
_ALONG, _BEHIND, _BEFORE, _COLLAR = 6.0, 1.7, 2.0, 1.8
# The limb's direction is fitted from one to this many half widths past the collar.
_FIT = 12.0
# A leaf or fruit may hide the last bit before the collar: up to this many widths.
_HIDDEN = 3.0


@dataclass(frozen=True, eq=False)
class Jointed:
    """A band without its parents.

    Attributes
    ----------
    band : Band
    at_start, at_end : bool
        Whether a parent was cut off at that end.
    """

    band: Band
    at_start: bool = False
    at_end: bool = False


def cut_at_joints(maps: Maps | None, band: Band) -> Jointed:
    """Cut off what runs into a parent branch at either end.

    Parameters
    ----------
    maps : Maps or None
        Without a finite ``wood`` nothing is cut: colour alone cannot tell wood from soil.
    band : Band
        Evenly spaced.

    Returns
    -------
    Jointed
        The band itself where no parent is seen. Else its line starts (or ends) at the collar:
        where the limb's middle line, straight over the last few widths, meets the parent's side.
    """
    count = len(band.line_px)
    if maps is None or count < 20 or not np.isfinite(maps.wood).any():
        return Jointed(band)
    across = _wood_across(maps, band)
    middle = across[count // 4 : -(count // 4)]
    middle = middle[middle > 0]
    if len(middle) < 5:
        return Jointed(band)
    usual = float(np.median(middle))
    first = _collar(maps, band.line_px, across, usual)
    last = _collar(maps, band.line_px[::-1], across[::-1], usual)
    if first is not None and last is not None:  # a limb is attached at one end
        first, last = (first, None) if first.surer_than(last) else (None, last)
    if first is not None:
        return Jointed(_begun(band, first), at_start=True)
    if last is not None:
        return Jointed(_begun(band.reversed(), last).reversed(), at_end=True)
    return Jointed(band)


@dataclass(frozen=True, eq=False)
class _Collar:
    """Start of a limb.

    ``join_px`` is how far along the old line the straight piece from ``point_px`` meets it;
    ``half_px`` the limb's half width there; ``score`` how clean the parent's border is.
    """

    point_px: FloatArray
    join_px: float
    half_px: float
    score: float

    def surer_than(self, other: _Collar) -> bool:
        """Thicker by a fifth, else the cleaner border."""
        ratio = self.half_px / other.half_px
        return ratio > 1.2 or (ratio > 1 / 1.2 and self.score > other.score)


def _begun(band: Band, collar: _Collar) -> Band:
    """The band from the collar straight to where it joins the old line, evenly spaced."""
    kept = along_line(band.line_px) > collar.join_px
    line = np.vstack([collar.point_px, band.line_px[kept]])
    support = np.append(band.support[kept][0], band.support[kept])
    new = along_line(line)
    even = np.linspace(0, new[-1], len(line))
    return replace(band, line_px=point_on_line(line, even), support=np.interp(even, new, support))


def _collar(maps: Maps, line: FloatArray, across: FloatArray, usual: float) -> _Collar | None:
    """The collar at the line's start or a little before it; None where no parent's side is seen."""
    along = along_line(line)
    places = np.arange(-_HIDDEN * usual, _OUTER_FRAC * along[-1], 0.4 * usual)
    tried = [_axis(line, along, across, place, usual) for place in places]
    axes = [axis for axis in tried if axis is not None]
    if not axes:
        return None
    turns = np.deg2rad(np.linspace(_LEAST_TURN_DEG, 180 - _LEAST_TURN_DEG, _TURNS))
    rough = _scores(maps, axes, turns, 0.7)
    best, turn = np.unravel_index(int(np.argmax(rough)), rough.shape)
    axis = axes[best]
    near = [axis.moved(shift * axis.half_px) for shift in np.arange(-1.5, 1.51, 0.1)]
    fine = _scores(maps, near, turns[turn] + np.deg2rad(np.arange(-8, 8.1, 4)), 0.3).max(axis=1)
    sharp = _SHARP * abs(float(np.cos(turns[turn])))
    thin = _THIN * max(0.0, 1 - 2 * axis.half_px / usual)
    score = float(fine.max()) - sharp - thin
    if score < _LEAST_SCORE:
        return None
    return _Collar(near[int(np.argmax(fine))].at, axis.join_px, axis.half_px, score)


@dataclass(frozen=True, eq=False)
class _Axis:
    """A place on the limb's straight middle line and the unit vector from there to its tip."""

    at: FloatArray
    ahead: FloatArray
    half_px: float
    join_px: float

    def moved(self, shift_px: float) -> _Axis:
        return replace(self, at=self.at + shift_px * self.ahead)


def _axis(
    line: FloatArray, along: FloatArray, across: FloatArray, place: float, usual: float
) -> _Axis | None:
    """The limb's axis at a distance along the line (negative: before it), fitted ahead of it."""
    start = max(place, 0.0)
    near = (along > start + usual) & (along < start + 8 * usual) & (across > 0)
    width = float(np.percentile(across[near], 75)) if near.sum() >= 3 else usual
    half = 0.5 * float(np.clip(width, 0.7 * usual, 2.2 * usual))
    part = line[(along >= start + 2 * half) & (along <= start + _FIT * half)]
    if len(part) < 3:
        return None
    middle = part.mean(axis=0)
    ahead = straight(part)
    on_line = point_on_line(line, start)[0]
    at = middle + ((on_line - middle) @ ahead + min(place, 0.0)) * ahead
    return _Axis(at, ahead, half, start + 2 * half)


def _scores(maps: Maps, axes: list[_Axis], turns: FloatArray, step: float) -> FloatArray:
    """How clean a parent's border through each place is in each direction, (places, turns).

    The mean over both sides of the limb of wood behind the border minus wood before it.
    """
    along = np.arange(-_ALONG, _ALONG + step, step)
    out = np.arange(-_BEHIND, _BEFORE, step) + 0.5 * step
    cos, sin = np.cos(turns)[:, None, None], np.sin(turns)[:, None, None]
    # In half widths, x to the tip and y across: along the border, and square to it outwards.
    x = along[:, None] * cos + out * sin
    y = along[:, None] * sin - out * cos
    x, y = x.reshape(len(turns), -1), y.reshape(len(turns), -1)
    behind = np.broadcast_to(out < 0, (len(along), len(out))).ravel()
    regions = np.array(
        [part & there for part in (y > _COLLAR, y < -_COLLAR) for there in (behind, ~behind)]
    ).astype(np.float64)
    at = np.array([axis.at for axis in axes])[:, None, None, :]
    ahead = np.array([axis.ahead * axis.half_px for axis in axes])[:, None, None, :]
    across = np.stack([-ahead[..., 1], ahead[..., 0]], axis=-1)
    wood = _wood_near(maps, at + x[None, ..., None] * ahead + y[None, ..., None] * across)
    wood = wood.transpose(1, 0, 2)  # turns first: one matrix product each
    known = np.isfinite(wood)
    columns = regions.transpose(1, 2, 0)
    total = np.where(known, wood, 0.0) @ columns
    count = known.astype(np.float64) @ columns
    mean = np.where(count >= 4, total / np.maximum(count, 1.0), 0.0)
    score = 0.5 * (mean[..., 0] - mean[..., 1] + mean[..., 2] - mean[..., 3])
    return np.asarray(score.T, np.float64)


def _wood_near(maps: Maps, points_px: FloatArray) -> FloatArray:
    """Wood of the nearest cell; NaN outside the photo."""
    cell = np.floor((points_px + 0.5) / maps.px_per_cell).astype(np.int32)
    rows, columns = maps.wood.shape
    x, y = cell[..., 0], cell[..., 1]
    inside = (x >= 0) & (x < columns) & (y >= 0) & (y < rows)
    at = np.where(inside, y * columns + x, 0)
    return np.where(inside, maps.wood.ravel()[at], np.nan)


def _wood_across(maps: Maps, band: Band) -> FloatArray:
    """Width of unbroken wood across each station, px; 0 where the line is not on wood."""
    half_px = band.half_px if np.isfinite(band.half_px) else 4 * maps.px_per_cell
    step = 0.5 * maps.px_per_cell
    count = int(np.ceil(_REACH_WIDTHS * max(half_px, maps.px_per_cell) / step))
    offset = np.arange(-count, count + 1, dtype=np.float64) * step
    grid = places_across(band.line_px, offset)
    cell = (grid + 0.5) / maps.px_per_cell - 0.5
    seen = sample_grid(maps.wood, cell[..., 0], cell[..., 1])
    wood = np.nan_to_num(seen) > 0.5
    right = _unbroken(wood[:, count:])
    left = _unbroken(wood[:, count::-1])
    return np.asarray(np.where(wood[:, count], (left + right - 1) * step, 0.0), np.float64)


def _unbroken(wood: BoolArray) -> IntArray:
    """How many samples from the first column on are wood without a break."""
    stop = np.argmin(wood, axis=1)
    return np.asarray(np.where(wood.all(axis=1), wood.shape[1], stop), np.int64)
