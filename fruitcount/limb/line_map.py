"""Where the limb that the user means runs: the limb net's maps, or woody ridges without it.

The net tells this limb's line apart from other wood, its base, its tip, where it leaves the
photo, and how thick it is. It looks at the whole photo, so it knows which wood is the limb.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from fruitcount.files import models_folder
from fruitcount.image.backdrop import inside
from fruitcount.image.opencv import cv2, net_at
from fruitcount.image.reduce import reduced_to
from fruitcount.types import FloatArray

F32 = NDArray[np.float32]

SIDES_PX = (480, 800)
"""Long sides at which the photo is looked at. By the net's first run both together drew 4 of 56
rendered limbs wrong, 640 alone 6."""

LEAST_SIDE_PX = 64
"""A photo with a shorter long side shows no limb to the net."""

GRID = 160
"""Cells of a line map's long side."""

HALF_UNIT_PX = 8.0
"""The net tells ln(half thickness / this) in its own pixels; as in training."""

_ONE_AT_A_TIME = Lock()


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


def limb_model_path() -> Path:
    """The file of the limb net."""
    return models_folder() / "limb_net.onnx"


def line_map(rgb: NDArray[np.uint8]) -> LineMap | None:
    """The limb net's maps of a photo; None where its file is missing or the photo is tiny.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)

    Raises
    ------
    ModelUnavailableError
        When the file cannot be read as a net.
    """
    path = limb_model_path()
    if not path.is_file() or max(rgb.shape[:2]) < LEAST_SIDE_PX:
        return None
    net = net_at(path)
    rows, columns = rgb.shape[:2]
    unit = GRID / max(rows, columns)
    grid = (max(1, round(columns * unit)), max(1, round(rows * unit)))
    told = [_channels(net, rgb, side, grid) for side in SIDES_PX]
    line, base, tip, frame, log_half = np.mean(told, axis=0)
    line, base, tip, frame = (np.asarray(expit(c), np.float32) for c in (line, base, tip, frame))
    return LineMap(
        line,
        base,
        tip,
        frame,
        half_px=np.asarray(HALF_UNIT_PX * np.exp(log_half), np.float32),
        px_per_cell=columns / grid[0],
    )


def ridge_map(ridge: F32, px_per_cell: float) -> LineMap:
    """A line map from woody ridges, shape (h, w): no ends, no thickness, any limb as good."""
    blank = np.zeros_like(ridge)
    unknown = np.full_like(ridge, np.nan)
    return LineMap(ridge, blank, blank, blank, unknown, px_per_cell)


def _channels(net: Any, rgb: NDArray[np.uint8], side: int, grid: tuple[int, int]) -> F32:
    """The net's channels of the photo at a long side, on the grid; thickness in photo pixels."""
    rows, columns = rgb.shape[:2]
    factor = side / max(rows, columns)
    size = (max(1, round(columns * factor)), max(1, round(rows * factor)))
    small = reduced_to(rgb, size, spare=1.5) if factor < 1 else cv2.resize(rgb, size)
    down, right = -size[1] % 32, -size[0] % 32
    full = cv2.copyMakeBorder(small, 0, down, 0, right, cv2.BORDER_REPLICATE)
    with _ONE_AT_A_TIME:
        net.setInput(cv2.dnn.blobFromImage(full, 1 / 255.0))
        out = np.array(net.forward()[0], dtype=np.float32)
    out = out[:, : -(-size[1] // 4), : -(-size[0] // 4)]
    out[4] += np.log(columns / size[0])
    how = cv2.INTER_AREA if out.shape[2] > grid[0] else cv2.INTER_LINEAR
    return np.stack([cv2.resize(channel, grid, interpolation=how) for channel in out])
