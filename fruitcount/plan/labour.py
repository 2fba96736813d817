"""Hours of thinning. No figure is assumed: hours differ by tree form and country."""

from __future__ import annotations

from fruitcount.checks import in_range, positive

__all__ = ["ACRES_PER_HECTARE", "hours_left", "hours_per_acre", "hours_wanted"]

ACRES_PER_HECTARE = 10_000.0 / 4046.8564224
"""International acre, exact."""


def hours_per_acre(hours_per_ha: float) -> float:
    """Convert hours a hectare to hours an acre."""
    return positive("hours_per_ha", hours_per_ha) / ACRES_PER_HECTARE


def hours_left(hours: float, saved_frac: float) -> float:
    """Hours that remain when a share is saved."""
    return positive("hours", hours) * (1.0 - in_range("saved_frac", saved_frac, 0.0, 1.0))


def hours_wanted(trees: float, trees_per_hour: float) -> float:
    """Hours for a number of trees at the grower's own pace."""
    return positive("trees", trees) / positive("trees_per_hour", trees_per_hour)
