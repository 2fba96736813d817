"""The table of marks on a photo: one circle a fruit, one array a column.

Every column always exists; what is not measured yet is NaN or ``-1``. Arrays are read-only
copies, so that no stage can change what another measured.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from enum import IntEnum
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from fruitcount.errors import BadInputError

FloatArray = NDArray[np.float64]
F32 = NDArray[np.float32]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Pixels = NDArray[np.uint8]


class Kind(IntEnum):
    """What a marked circle is."""

    FRUIT = 0
    YELLOWING = 1
    DAMAGED = 2


def read_only(values: Any, dtype: Any) -> Any:
    """Copy to an array that no later stage can change."""
    out = np.array(values, dtype=dtype)
    out.setflags(write=False)
    return out


_COLUMNS: dict[str, tuple[Any, Any]] = {
    # name: (dtype, value when not measured)
    "x_px": (np.float64, np.nan),
    "y_px": (np.float64, np.nan),
    "r_px": (np.float64, np.nan),
    "score": (np.float64, np.nan),
    "kind": (np.int64, int(Kind.FRUIT)),
    "yellow_frac": (np.float64, np.nan),
    "roundness_frac": (np.float64, np.nan),
    "visible_frac": (np.float64, np.nan),
    "diameter_mm": (np.float64, np.nan),
    "diameter_sd_mm": (np.float64, np.nan),
    "on_limb": (np.int64, -1),
    "shoot": (np.int64, -1),
    "along_px": (np.float64, np.nan),
    "along_mm": (np.float64, np.nan),
    "offset_px": (np.float64, np.nan),
    "cluster": (np.int64, -1),
    "by_hand": (np.bool_, False),
}
CIRCLE_COLUMNS = tuple(_COLUMNS)


@dataclass(frozen=True, eq=False)
class Fruitlets:
    """Fruitlets of one photo, one length-N array a column.

    Attributes
    ----------
    x_px, y_px, r_px : float arrays
        Circle in photo pixels.
    score : float array
        0 to 1; how sure the detector is. 1 for marks made by hand.
    kind : int array
        A :class:`Kind`.
    yellow_frac : float array
        0 to 1; how yellow against this photo's own light. NaN if not told.
    roundness_frac, visible_frac : float arrays
        Outline roundness (1 = circle) and share of the outline seen. NaN if not told.
    diameter_mm, diameter_sd_mm : float arrays (across the narrow way)
        Diameter and its standard deviation; NaN without a scale.
    on_limb : int array
        1 on the photographed limb, 0 not, -1 could not tell.
    shoot : int array
        -1 on the main limb, else index in ``Limb.shoots``.
    along_px, along_mm : float arrays
        Where the fruit hangs, along the main limb from its base (for a fruit on a side shoot:
        where that shoot leaves the limb plus nothing, so the position of the fork).
    offset_px : float array
        Distance of the fruit's centre from the limb (or shoot) line.
    cluster : int array
        Fruit of one cluster share a number; -1 if not grouped yet.
    by_hand : bool array
        Made or changed by the user.
    """

    x_px: FloatArray
    y_px: FloatArray
    r_px: FloatArray
    score: FloatArray
    kind: IntArray
    yellow_frac: FloatArray
    roundness_frac: FloatArray
    visible_frac: FloatArray
    diameter_mm: FloatArray
    diameter_sd_mm: FloatArray
    on_limb: IntArray
    shoot: IntArray
    along_px: FloatArray
    along_mm: FloatArray
    offset_px: FloatArray
    cluster: IntArray
    by_hand: BoolArray

    def __post_init__(self) -> None:
        n = len(np.asarray(self.x_px))
        for name, (dtype, _) in _COLUMNS.items():
            column = read_only(getattr(self, name), dtype)
            if column.shape != (n,):
                raise BadInputError(f"{name} must have shape ({n},), got {column.shape}")
            object.__setattr__(self, name, column)

    @classmethod
    def from_columns(cls, **columns: Any) -> Self:
        """Build from the columns that are known; the others are filled as not measured.

        Parameters
        ----------
        **columns : array-like
            At least ``x_px``; all of one length.

        Raises
        ------
        BadInputError
            When a name is unknown or lengths differ.
        """
        unknown = set(columns) - set(_COLUMNS)
        if unknown:
            raise BadInputError(f"unknown fruitlet columns: {', '.join(sorted(unknown))}")
        n = len(columns["x_px"])
        full = {
            name: columns.get(name, np.full(n, blank, dtype=dtype))
            for name, (dtype, blank) in _COLUMNS.items()
        }
        return cls(**full)

    @classmethod
    def empty(cls) -> Self:
        """No fruitlets: the usual type with length 0."""
        return cls.from_columns(x_px=[])

    def __len__(self) -> int:
        return len(self.x_px)

    def take(self, which: Any) -> Self:
        """Select by boolean mask or by index array; the one way to filter or reorder."""
        return replace(self, **{f.name: getattr(self, f.name)[which] for f in fields(self)})

    def with_columns(self, **columns: Any) -> Self:
        """A copy with some columns replaced."""
        return replace(self, **columns)

    @property
    def counts_as_crop(self) -> BoolArray:
        """Fruit on this limb that will be crop: not yellowing, not known to be off the limb."""
        mask: BoolArray = (self.kind != Kind.YELLOWING) & (self.on_limb != 0)
        return mask

    @property
    def middle_size_mm(self) -> float:
        """Median diameter of the fruit that count as crop; NaN where none is measured."""
        sizes = self.diameter_mm[self.counts_as_crop & np.isfinite(self.diameter_mm)]
        return float(np.median(sizes)) if len(sizes) else float("nan")
