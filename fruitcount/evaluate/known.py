"""Known fruit of one photo, as read from an annotation or drawn with the photo."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fruitcount.errors import BadInputError
from fruitcount.types import BoolArray, FloatArray, IntArray, Kind

LEAST_VISIBLE_FRAC = 0.5
"""Fruit less visible than this is not asked for (the scoring rule)."""


@dataclass(frozen=True, eq=False)
class Truth:
    """Known fruit of one photo, one length-N array a column.

    Attributes
    ----------
    name : str
        The photo's file name without its folder.
    width_px, height_px : int
    x_px, y_px, r_px : float arrays
        Circle in photo pixels. For a box the circle that the fruit is taken to fill.
    half_w_px, half_h_px : float arrays
        Half sides of the box; NaN where the truth is a circle.
    kind : int array
        A :class:`fruitcount.types.Kind`.
    ignore : bool array
        Neither asked for nor punished: class ``ignore`` or visible share under one half.
    visible_frac, diameter_mm, along_mm : float arrays
        NaN where not known.
    on_limb : int array
        1, 0, or -1 where not known.
    px_per_mm, limb_length_mm, base_diameter_mm : float
        NaN where not known.
    limb_line_px : array, shape (K, 2)
        x, y from base to tip; (0, 2) where not known.
    light : str
        One word for the light; empty where not known.
    """

    name: str
    width_px: int
    height_px: int
    x_px: FloatArray
    y_px: FloatArray
    r_px: FloatArray
    half_w_px: FloatArray
    half_h_px: FloatArray
    kind: IntArray
    ignore: BoolArray
    visible_frac: FloatArray
    diameter_mm: FloatArray
    along_mm: FloatArray
    on_limb: IntArray
    px_per_mm: float = math.nan
    limb_length_mm: float = math.nan
    base_diameter_mm: float = math.nan
    limb_line_px: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    light: str = ""

    def __len__(self) -> int:
        return len(self.x_px)

    @property
    def asked_n(self) -> int:
        """How many fruit a detector is asked to find."""
        return int(np.count_nonzero(~self.ignore))


def truth_from_columns(
    name: str, size_px: tuple[int, int], *, columns: dict[str, Any], **scene: Any
) -> Truth:
    """Build a :class:`Truth` from the columns that are known.

    Parameters
    ----------
    name : str
        The photo's file name.
    size_px : tuple of (width, height)
    columns : dict
        At least ``x_px``, ``y_px``, ``r_px``; the others are filled as not known. ``ignore`` is
        joined with "visible share under one half".
    **scene
        The single values of :class:`Truth`, such as ``px_per_mm``.

    Raises
    ------
    BadInputError
        The photo has no size, a circle is not finite, or a radius is negative.
    """
    if min(size_px) < 1:
        raise BadInputError(f"width and height must be at least 1, got {size_px!r}")
    n = len(columns["x_px"])
    blanks: dict[str, tuple[Any, Any]] = {
        "half_w_px": (np.float64, np.nan),
        "half_h_px": (np.float64, np.nan),
        "kind": (np.int64, int(Kind.FRUIT)),
        "ignore": (np.bool_, False),
        "visible_frac": (np.float64, np.nan),
        "diameter_mm": (np.float64, np.nan),
        "along_mm": (np.float64, np.nan),
        "on_limb": (np.int64, -1),
    }
    full: dict[str, Any] = {
        k: np.asarray(columns[k], np.float64).reshape(n) for k in ("x_px", "y_px", "r_px")
    }
    for key, (dtype, blank) in blanks.items():
        full[key] = np.array(columns.get(key, np.full(n, blank)), dtype=dtype).reshape(n)
    for key in ("x_px", "y_px", "r_px"):
        if not np.isfinite(full[key]).all():
            raise BadInputError(f"{key} must be finite, got {full[key].tolist()!r}")
    if (full["r_px"] < 0).any():
        raise BadInputError(f"r_px must not be negative, got {full['r_px'].min()!r}")
    # NaN compares false: fruit of unknown visible share is asked for.
    full["ignore"] = full["ignore"] | (full["visible_frac"] < LEAST_VISIBLE_FRAC)
    for column in full.values():
        column.setflags(write=False)
    return Truth(name=name, width_px=size_px[0], height_px=size_px[1], **full, **scene)
