"""Fruit size at harvest: codes, weights, and what direction the season points.

No universal curve of fruit weight against crop load: published trials give direction but no
coefficients that were read, so a grower fits two seasons of their own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fruitcount.checks import at_least, one_of, positive
from fruitcount.errors import BadInputError
from fruitcount.species import Species
from fruitcount.units import KG_PER_LB

__all__ = [
    "Crop",
    "OwnSeason",
    "circumference_cm",
    "crop_weight",
    "diameter_of_code",
    "prune_dry_count",
    "reference_advice",
    "size_code",
    "weight_from_own_seasons",
]

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


def circumference_cm(diameter_mm: float) -> float:
    """Circumference of a round fruit."""
    return math.pi * positive("diameter_mm", diameter_mm) / 10.0


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
class Crop:
    """A crop's weight in the units of the trade."""

    kg: float
    lb: float
    crates: float


def crop_weight(fruit_count: float, fruit_g: float, crate_kg: float) -> Crop:
    """Weight of a crop at harvest.

    Parameters
    ----------
    fruit_count : float
    fruit_g : float
        One ripe fruit, see ``fruitcount.load.harvest_mass_g``.
    crate_kg : float
        What one of the grower's crates holds.
    """
    kg = at_least("fruit_count", fruit_count, 0.0) * positive("fruit_g", fruit_g) / 1000.0
    return Crop(kg, kg / KG_PER_LB, kg / positive("crate_kg", crate_kg))


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
        return math.nan, f"This season's load is {side} fruit is likely, by how much is not told."
    return low.fruit_g + share * (high.fruit_g - low.fruit_g), "Between your own two seasons."
