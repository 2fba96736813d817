"""Where the limb that the user means runs: the limb net's maps, or woody ridges without it.

The net tells this limb's line apart from other wood, its base, its tip, where it leaves the
photo, and how thick it is. It looks at the whole photo, so it knows which wood is the limb.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit

from fruitcount.fruitlets import F32, FloatArray, Pixels
from fruitcount.image.backdrop import inside
from fruitcount.image.opencv import cv2
from fruitcount.whole_photo import HALF_UNIT_PX, whole_photo

GRID = 160
"""Cells of a line map's long side."""


@dataclass(frozen=True, eq=False)
class LineMap:
    """Chances on a coarse grid over the whole photo, all of shape (h, w).

    Attributes
    ----------
    line : float32 array
        0 to 1: on the limb that is meant.
    base, tip, frame : float32 arrays
        0 to 1: its base, its tip, the place where it leaves the photo.
    half_px : float32 array
        Half thickness in photo pixels of a limb there; NaN if not known.
    px_per_cell : float
        As in :class:`fruitcount.types.Maps`.
    """

    line: F32
    base: F32
    tip: F32
    frame: F32
    half_px: F32
    px_per_cell: float

    def within(self, outline_px: FloatArray) -> LineMap:
        """The same map with nothing outside a sheet's outline; itself where there is none."""
        if len(outline_px) < 3:
            return self
        rows, columns = np.indices(self.line.shape)
        at = self.to_px(np.stack([columns, rows], axis=-1).astype(np.float64))
        there = inside(outline_px, at[..., 0], at[..., 1]).astype(np.float32)
        kept = {name: getattr(self, name) * there for name in ("line", "base", "tip", "frame")}
        return replace(self, **kept)

    def to_px(self, cells: FloatArray) -> FloatArray:
        """Map x, y to photo x, y."""
        return np.asarray((cells + 0.5) * self.px_per_cell - 0.5, np.float64)


def line_map(rgb: Pixels) -> LineMap | None:
    """The limb net's maps of a photo; None where its file is missing or the photo is tiny.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)

    Raises
    ------
    ModelUnavailableError
        When the file cannot be read as a net.
    """
    whole = whole_photo(rgb)
    if whole is None:
        return None
    rows, columns = rgb.shape[:2]
    unit = GRID / max(rows, columns)
    grid = (max(1, round(columns * unit)), max(1, round(rows * unit)))
    told = np.mean([_on_grid(channels, grid) for channels in whole.limb], axis=0)
    line, base, tip, frame = (np.asarray(expit(c), np.float32) for c in told[:4])
    half_px = np.asarray(HALF_UNIT_PX * np.exp(told[4]), np.float32)
    return LineMap(line, base, tip, frame, half_px, px_per_cell=columns / grid[0])


def ridge_map(ridge: F32, px_per_cell: float) -> LineMap:
    """A line map from woody ridges, shape (h, w): no ends, no thickness, any limb as good."""
    blank = np.zeros_like(ridge)
    unknown = np.full_like(ridge, np.nan)
    return LineMap(ridge, blank, blank, blank, unknown, px_per_cell)


def _on_grid(channels: F32, grid: tuple[int, int]) -> F32:
    how = cv2.INTER_AREA if channels.shape[2] > grid[0] else cv2.INTER_LINEAR
    return np.stack([cv2.resize(channel, grid, interpolation=how) for channel in channels])
