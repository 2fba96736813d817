"""Where the limb leaves the branch or trunk that bears it.

A search for the longest woody path runs on across the parent to its far side. Across the path the
wood is then suddenly several times as wide; the limb begins where that stops, at its collar.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fruitcount.image.edges import sample_grid
from fruitcount.limb.centre import Band, normals
from fruitcount.lines import along_line
from fruitcount.types import FloatArray, Maps

__all__ = ["Jointed", "cut_at_joints"]

# A limb may be twice as thick at its base as in its middle; of sixteen drawn parents the wood was
# 2.4 to 17 times as wide as the limb's middle, of their limbs up to 2.2 times.
_PARENT_RATIO = 2.5
_REACH_WIDTHS = 6.0
# Only the outer parts of a path can be a parent; wide wood farther in is a fork or a cluster.
_OUTER_FRAC = 0.25


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

    @property
    def one_end(self) -> bool:
        """Whether just one end is borne by a parent: that end is the base."""
        return self.at_start != self.at_end


def cut_at_joints(maps: Maps | None, band: Band) -> Jointed:
    """Cut off what runs across a parent branch at either end.

    Parameters
    ----------
    maps : Maps or None
        Without a finite ``wood`` nothing is cut: colour alone cannot tell wood from soil.
    band : Band
        Evenly spaced.

    Returns
    -------
    Jointed
        The band itself where no parent is seen.
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
    step = float(along_line(band.line_px)[-1]) / (count - 1)
    least = max(2, int(np.ceil(0.6 * usual / step)))
    wide = across > _PARENT_RATIO * usual
    first = _inner_end(wide, least)
    last = count - _inner_end(wide[::-1], least)
    kept = replace(band, line_px=band.line_px[first:last], support=band.support[first:last])
    return Jointed(kept, first > 0, last < count)


def _inner_end(wide: NDArray[np.bool_], least: int) -> int:
    """Stations to drop from the start: past the innermost wide stretch of the outer part."""
    outer = int(_OUTER_FRAC * len(wide))
    run, drop = 0, 0
    for k in range(outer):
        run = run + 1 if wide[k] else 0
        if run >= least:
            drop = k + 1
    return drop


def _wood_across(maps: Maps, band: Band) -> FloatArray:
    """Width of unbroken wood across each station, px; 0 where the line is not on wood."""
    half_px = band.half_px if np.isfinite(band.half_px) else 4 * maps.px_per_cell
    step = 0.5 * maps.px_per_cell
    count = int(np.ceil(_REACH_WIDTHS * max(half_px, maps.px_per_cell) / step))
    offset = np.arange(-count, count + 1) * step
    grid = band.line_px[:, None, :] + offset[None, :, None] * normals(band.line_px)[:, None, :]
    cell = (grid + 0.5) / maps.px_per_cell - 0.5
    seen = sample_grid(maps.wood, cell[..., 0], cell[..., 1])
    wood = np.nan_to_num(seen) > 0.5
    right = _unbroken(wood[:, count:])
    left = _unbroken(wood[:, count::-1])
    return np.asarray(np.where(wood[:, count], (left + right - 1) * step, 0.0), np.float64)


def _unbroken(wood: NDArray[np.bool_]) -> NDArray[np.int64]:
    """How many samples from the first column on are wood without a break."""
    stop = np.argmin(wood, axis=1)
    return np.asarray(np.where(wood.all(axis=1), wood.shape[1], stop), np.int64)
