"""Fruit size: the time to thin by it; at harvest, codes, weights and where the season points.

No universal curve of fruit weight against crop load: published trials give direction but no
coefficients that were read, so a grower fits two seasons of their own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fruitcount.errors import BadInputError, one_of, positive
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.species.model import NICKEL_MM, Species, size_word
from fruitcount.types import FloatArray

ORCHARDS = ("average", "good", "excellent")
DAYS_TO_PIT_HARDENING = 50.0


def size_code(species: Species, diameter_mm: float) -> str:
    """Trade size code of a diameter; ``"undersize"`` below the smallest, ``""`` without codes."""
    positive("diameter_mm", diameter_mm)
    for code in species.size_codes:
        if diameter_mm >= code.from_mm:
            return code.code
    return "undersize" if species.size_codes else ""


def diameter_of_code(species: Species, code: str) -> float:
    """Smallest diameter that earns a size code, as the harvest diameter to aim at.

    Raises
    ------
    BadInputError
        When the species has no such code.
    """
    one_of("code", code, tuple(c.code for c in species.size_codes))
    return next(c.from_mm for c in species.size_codes if c.code == code)


def prune_dry_count(species: Species, green_per_lb: float, orchard: str = "average") -> float:
    """Dry prunes per lb at harvest from green prunes per lb at reference date.

    Krueger, UC Cooperative Extension, Table 1; straight lines between rows. With a large crop it
    overestimates fruit size.

    Raises
    ------
    BadInputError
        When the species has no such table or the count lies outside it.
    """
    one_of("orchard", orchard, ORCHARDS)
    rows = species.reference_counts
    if not rows:
        raise BadInputError(f"species must have a reference-date table, got {species.name!r}")
    if not rows[0][0] <= green_per_lb <= rows[-1][0]:
        raise BadInputError(
            f"green_per_lb must be from {rows[0][0]:g} to {rows[-1][0]:g}, got {green_per_lb!r}"
        )
    column = 1 + ORCHARDS.index(orchard)
    return float(np.interp(green_per_lb, [r[0] for r in rows], [r[column] for r in rows]))


def reference_advice(diameter_mm: float, days_after_bloom: float | None = None) -> str:
    """Direction only, from the diameter of peach at reference date.

    33, 36 and 38 mm: thin heavily, lightly, not (from "Modern Fruit Science", as told in Growing
    Organic Orchard Fruits, p. 691). Reference date is about 10 days after the pit begins to
    harden, and that about 50 days after full bloom (Lopez & DeJong; Marini).

    Parameters
    ----------
    diameter_mm : float
    days_after_bloom : float, optional
        Too early for the rule: it says so instead.
    """
    positive("diameter_mm", diameter_mm)
    if days_after_bloom is not None and days_after_bloom < DAYS_TO_PIT_HARDENING:
        return "Before pit hardening: too early for the reference-date rule."
    if diameter_mm < 33.0:
        return "Small at reference date: fruit will be small unless thinned heavily."
    if diameter_mm < 36.0:
        return "Fair at reference date: thin lightly to moderately."
    if diameter_mm < 38.0:
        return "Good at reference date: thin lightly."
    return "Large at reference date: size alone asks for no more thinning."


@dataclass(frozen=True)
class OwnSeason:
    """One past season: how much hung there, and what a fruit weighed."""

    fruit_per_cm2: float
    fruit_g: float


def weight_from_own_seasons(
    first: OwnSeason, second: OwnSeason, fruit_per_cm2: float
) -> tuple[float, str]:
    """Fruit weight expected between two of the grower's own seasons.

    Parameters
    ----------
    first, second : OwnSeason
        Different loads; the heavier load must have the lighter fruit, as every trial found
        (Sutton et al. 2020; Marini et al. 2018).
    fruit_per_cm2 : float
        This season's load.

    Returns
    -------
    fruit_g : float
        NaN outside the two seasons: a line through two points tells nothing there.
    sentence : str
    """
    if math.isclose(first.fruit_per_cm2, second.fruit_per_cm2):
        raise BadInputError("the two seasons must differ in fruit_per_cm2")
    low, high = sorted((first, second), key=lambda s: s.fruit_per_cm2)
    if high.fruit_g >= low.fruit_g:
        return math.nan, "These two seasons do not show lighter fruit at the heavier load."
    share = (fruit_per_cm2 - low.fruit_per_cm2) / (high.fruit_per_cm2 - low.fruit_per_cm2)
    if not 0.0 <= share <= 1.0:
        side = "lighter than both: larger" if share < 0 else "heavier than both: smaller"
        return math.nan, f"This season's load is {side} fruit is likely, by how much is not known."
    return low.fruit_g + share * (high.fruit_g - low.fruit_g), "Between your own two seasons."


@dataclass(frozen=True)
class Timing:
    """What the size of the fruitlets says about the date.

    Attributes
    ----------
    word : {"too early", "early but possible", "in time", "last call", "late", "unknown"}
    median_mm : float
    sentence : str
    """

    word: str
    median_mm: float
    sentence: str


def size_timing(diameter_mm: FloatArray, species: Species, inputs: GrowerInputs) -> Timing:
    """Judge the season by the median diameter of the green fruit.

    ``diameter_mm`` has shape (N,), one a fruit.

    The rule is :func:`fruitcount.species.model.size_word`; the season's queue uses the same.
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
        return Timing("unknown", float("nan"), "")
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
