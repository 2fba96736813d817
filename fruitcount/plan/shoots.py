"""How many fruiting shoots go with a wanted crop."""

from __future__ import annotations

from fruitcount.checks import positive

__all__ = ["shoots_per_acre", "shoots_per_tree", "shoots_wanted"]


def shoots_wanted(fruit_per_tree: float) -> tuple[int, int]:
    """Fruiting shoots to keep on a peach tree: 1/7 to 1/5 of the fruit wanted.

    Marini 2003, HortScience 38(4):512-514: five to seven fruit were left a shoot. For the same
    fruit count, more shoots gave smaller fruit.
    """
    positive("fruit_per_tree", fruit_per_tree)
    return round(fruit_per_tree / 7), round(fruit_per_tree / 5)


def shoots_per_acre(fruit_per_acre: float, fruit_per_shoot: float = 4.0) -> float:
    """Fruiting shoots per acre; four fruit a shoot in the Penn State peach plan.

    The plans of a species are in ``Species.acre_plans``.
    """
    return positive("fruit_per_acre", fruit_per_acre) / positive("fruit_per_shoot", fruit_per_shoot)


def shoots_per_tree(per_acre: float, trees_per_acre: float) -> int:
    """Whole fruiting shoots a tree."""
    return round(positive("per_acre", per_acre) / positive("trees_per_acre", trees_per_acre))
