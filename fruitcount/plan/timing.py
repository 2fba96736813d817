"""Whether the fruitlets are at the size for thinning."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitcount.plan.inputs import GrowerInputs
from fruitcount.species import Species
from fruitcount.types import FloatArray

__all__ = ["DIME_MM", "NICKEL_MM", "PEA_MM", "Timing", "size_timing"]

PEA_MM = 8.0
"""A garden pea; memory, no source."""
DIME_MM = 17.91
"""US Mint coin specifications."""
NICKEL_MM = 21.21
"""US Mint coin specifications."""


@dataclass(frozen=True)
class Timing:
    """What the size of the fruitlets says about the date.

    Attributes
    ----------
    word : {"too early", "in time", "last call", "late", "not told"}
    median_mm : float
    sentence : str
    """

    word: str
    median_mm: float
    sentence: str


def size_timing(diameter_mm: FloatArray, species: Species, inputs: GrowerInputs) -> Timing:
    """Judge the season by the median diameter of the green fruit.

    Pea to dime size is the time; nickel size is late for early-ripening varieties (common
    practice, no source). No later than nickel size for any (NC State); 1 in for apricot (UC IPM):
    that end is the species' ``thinning_latest_mm``. Early thinning gives larger fruit (UC IPM).

    Parameters
    ----------
    diameter_mm : float array
        Of green fruit; NaN are passed over.
    species : Species
    inputs : GrowerInputs
        ``ripening_month`` decides whether nickel size is late already.
    """
    known = diameter_mm[np.isfinite(diameter_mm)]
    if not len(known) or not species.thinned:
        return Timing("not told", float("nan"), "")
    size = float(np.median(known))
    latest = species.thinning_latest_mm.number
    season = species.season_of(inputs.ripening_month)
    if size < PEA_MM:
        text = "Smaller than a pea: natural drop will still choose; wait a little and count again."
        return Timing("too early", size, text)
    if size <= DIME_MM:
        return Timing("in time", size, "Pea to dime size: this is the time to thin.")
    if size < min(latest, NICKEL_MM):
        return Timing("last call", size, "Past dime size: thin now, before nickel size.")
    if size < latest or (season == "late" and size < species.thinning_size_mm.high):
        if season == "early":
            return Timing("late", size, "Nickel size is late for an early-ripening variety.")
        text = "Nickel size or more: late if this variety ripens early; thin now."
        return Timing("last call", size, text)
    text = "Past the usual thinning size: thin now, expect less gain in fruit size."
    return Timing("late", size, text)
