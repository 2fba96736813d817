"""Whether the fruitlets are at the size for thinning."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitcount.plan.inputs import GrowerInputs
from fruitcount.species import Species
from fruitcount.species.size_rule import DIME_MM, NICKEL_MM, PEA_MM, size_word
from fruitcount.types import FloatArray

__all__ = ["DIME_MM", "NICKEL_MM", "PEA_MM", "Timing", "size_timing"]


@dataclass(frozen=True)
class Timing:
    """What the size of the fruitlets says about the date.

    Attributes
    ----------
    word : {"too early", "early but possible", "in time", "last call", "late", "not told"}
    median_mm : float
    sentence : str
    """

    word: str
    median_mm: float
    sentence: str


def size_timing(diameter_mm: FloatArray, species: Species, inputs: GrowerInputs) -> Timing:
    """Judge the season by the median diameter of the green fruit.

    The rule is :func:`fruitcount.species.size_rule.size_word`; the season's queue uses the same.
    Early thinning gives larger fruit (UC IPM).

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
    early = species.season_of(inputs.northern_month) == "early"
    word = size_word(size, species, early_ripening=early)
    return Timing(word, size, _sentence(word, size, species, early))


def _sentence(word: str, size_mm: float, species: Species, early: bool) -> str:
    if word == "last call":
        if size_mm < NICKEL_MM:
            return "Past dime size: thin now, before nickel size."
        return "Nickel size or more: late if this variety ripens early; thin now."
    if word == "late" and early and size_mm <= species.thinning_size_mm.high:
        return "Nickel size is late for an early-ripening variety: thin now."
    return _SENTENCES[word]


_SENTENCES = {
    "too early": "Smaller than a pea: natural drop will still choose; wait a little and count "
    "again.",
    "early but possible": "Pea size, under 1/2 in: early but possible; natural drop may still "
    "choose.",
    "in time": "13 to 18 mm (1/2 in to dime size): this is the time to thin.",
    "late": "Past the usual thinning size: thin now, expect less gain in fruit size.",
}
