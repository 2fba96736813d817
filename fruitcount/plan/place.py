"""From marked fruitlets to fruit placed on the wood, in mm where that can be told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitcount.lines import line_length_px, places_on_wood
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.types import FloatArray, Fruitlets, Kind, Limb


@dataclass(frozen=True, eq=False)
class PlacedFruit:
    """The crop of one limb, placed.

    Attributes
    ----------
    index : int array, shape (M,)
        Which fruitlets these are: green or damaged, not off the limb.
    line : int array, shape (M,)
        -1 on the main limb, else the shoot.
    at_px : float array, shape (M,)
        Along its own line; NaN where no limb was found.
    mm_per_px : float
        Along the limb; NaN when no length is told.
    length_px : float
        Main limb; NaN when not found.
    fork_px, shoot_length_px : float arrays, shape (S,)
    wood_mm : float
        Main limb and shoots that bear; NaN when not told.
    """

    index: NDArray[np.int64]
    line: NDArray[np.int64]
    at_px: FloatArray
    mm_per_px: float
    length_px: float
    fork_px: FloatArray
    shoot_length_px: FloatArray
    wood_mm: float

    @property
    def placed(self) -> bool:
        """Whether every fruit has a place along the wood."""
        return bool(np.isfinite(self.at_px).all() and np.isfinite(self.length_px))

    @property
    def at_frac(self) -> FloatArray:
        """Place along its own line, 0 to 1; 0.5 when not told."""
        lengths = np.append(self.shoot_length_px, self.length_px)[self.line]
        with np.errstate(invalid="ignore", divide="ignore"):
            share = self.at_px / lengths
        return np.where(np.isfinite(share), np.clip(share, 0, 1), 0.5)


def place_on_wood(fruitlets: Fruitlets, limb: Limb, inputs: GrowerInputs) -> PlacedFruit:
    """Place the crop along limb and shoots.

    A typed length wins over the photo's.

    Parameters
    ----------
    fruitlets : Fruitlets
    limb : Limb
    inputs : GrowerInputs
        ``limb_length_mm`` gives a scale along the limb where the photo has none.

    Returns
    -------
    PlacedFruit
    """
    crop = fruitlets.counts_as_crop & (fruitlets.kind != Kind.YELLOWING)
    index = np.flatnonzero(crop)
    line, at = places_on_wood(fruitlets.take(index), limb)
    nan = float("nan")
    length = limb.length_px
    if limb.found and not np.isfinite(length):
        length = line_length_px(limb.line_px)
    length = length if length > 0 else nan
    length_mm = limb.length_mm if inputs.limb_length_mm is None else inputs.limb_length_mm
    length_mm = length_mm if length_mm > 0 else nan
    shoot_px = np.array([line_length_px(s.line_px) for s in limb.shoots], dtype=float)
    bearing = np.isin(np.arange(len(limb.shoots)), line)
    mm_per_px = length_mm / length
    wood_mm = length_mm + (shoot_px[bearing].sum() * mm_per_px if bearing.any() else 0.0)
    return PlacedFruit(
        index=index,
        line=line,
        at_px=at,
        mm_per_px=float(mm_per_px),
        length_px=float(length),
        fork_px=np.array([s.fork_along_px for s in limb.shoots], dtype=float),
        shoot_length_px=shoot_px,
        wood_mm=float(wood_mm),
    )
