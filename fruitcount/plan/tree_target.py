"""The tree's target and a limb's share of it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fruitcount.checks import in_range, positive
from fruitcount.errors import BadInputError
from fruitcount.species import Species

__all__ = [
    "acre_plan_shoots",
    "limb_share",
    "shoots_per_tree",
    "shoots_wanted",
    "trunk_area_cm2",
    "trunk_target",
]


def trunk_area_cm2(circumference_cm: float) -> float:
    """Cross-section of a round trunk, C^2 / (4 pi)."""
    return positive("circumference_cm", circumference_cm) ** 2 / (4.0 * math.pi)


def trunk_target(
    species: Species, circumference_cm: float, *, age_years: int, season: str
) -> tuple[float, float]:
    """Fruit per tree from trunk circumference, low and high.

    Peach and nectarine: B. van den Ende, Good Fruit Grower, December 2012, p. 49. Measured about
    200 mm above ground on ten typical trees.

    Parameters
    ----------
    species : Species
    circumference_cm : float
        Fruit goes in proportion to it.
    age_years : int
        At least 2; older than 5 counts as 5.
    season : {"early", "mid", "late"}
        Of ripening, see ``Species.season_of``.

    Raises
    ------
    BadInputError
        When the species has no table, or no row fits.
    """
    positive("circumference_cm", circumference_cm)
    fitting = [
        row
        for row in species.trunk_rows
        if row.age_years <= age_years and row.season in ("all", season)
    ]
    if not fitting:
        raise BadInputError(
            f"no trunk table row for {species.name}, age_years {age_years!r}, season {season!r}"
        )
    row = max(fitting, key=lambda r: r.age_years)
    return row.low_per_cm * circumference_cm, row.high_per_cm * circumference_cm


def limb_share(
    tree_target: float, limb_diameter_mm: float, all_diameters_mm: Sequence[float]
) -> float:
    """A limb's share of the tree's target, by cross-section area at the base of each limb.

    Branch area was found the right size measure for sampling apple limbs (USDA NASS, SRB-95-01,
    1995); sharing the target by it is our choice.

    Parameters
    ----------
    tree_target : float
        Fruit wanted on the whole tree.
    limb_diameter_mm : float
    all_diameters_mm : sequence of float
        Of all limbs of the tree, this one among them.
    """
    positive("limb_diameter_mm", limb_diameter_mm)
    areas = sum(positive("all_diameters_mm", d) ** 2 for d in all_diameters_mm)
    if not areas:
        raise BadInputError("all_diameters_mm must hold at least one limb, got none")
    share = limb_diameter_mm**2 / areas
    return tree_target * in_range("this limb's share", share, 0.0, 1.0)


def shoots_wanted(fruit_per_tree: float) -> tuple[int, int]:
    """Fruiting shoots to keep for a wanted crop: 1/7 to 1/5 of the fruit (Marini 2003)."""
    positive("fruit_per_tree", fruit_per_tree)
    return round(fruit_per_tree / 7), round(fruit_per_tree / 5)


def acre_plan_shoots(fruit_per_acre: float, fruit_per_shoot: float = 4.0) -> float:
    """Fruiting shoots per acre; four fruit a shoot in the Penn State peach plan."""
    return positive("fruit_per_acre", fruit_per_acre) / positive("fruit_per_shoot", fruit_per_shoot)


def shoots_per_tree(shoots_per_acre: float, trees_per_acre: float) -> int:
    """Whole fruiting shoots a tree."""
    positive("trees_per_acre", trees_per_acre)
    return round(positive("shoots_per_acre", shoots_per_acre) / trees_per_acre)
