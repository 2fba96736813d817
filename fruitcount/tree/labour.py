"""Time to thin a tree, fruit taken off, and crop left to pick."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fruitcount.checks import at_least, in_range, positive

__all__ = [
    "HAND_THINNING_H_PER_HA",
    "PACE_QUESTION",
    "Work",
    "h_per_acre",
    "machine_h_per_ha",
    "thinning_work",
]

# Hand bloom thinning of vase peach in Spain; a hand-held machine took 89 % less. Martin-Gorriz
# et al., Scientia Horticulturae 129:91-97, 2011. It depends on system and country: never used
# as a default, only shown for comparison.
HAND_THINNING_H_PER_HA = 385.0
_MACHINE_SAVING_FRAC = 0.89
_HA_PER_ACRE = 0.40468564224  # international acre, exact
PACE_QUESTION = "How many fruitlets do you take off in a minute? (no published figure is known)"


@dataclass(frozen=True)
class Work:
    """What thinning a limb, tree or block comes to.

    Attributes
    ----------
    off_n : float
        Fruit to take off.
    minutes : float
        NaN when the user's own pace is not given.
    harvest_kg : float
        Crop from the fruit that stay; NaN when the weight of one fruit is not given.
    """

    off_n: float
    minutes: float
    harvest_kg: float


def thinning_work(
    have_n: float,
    keep_n: float,
    *,
    pace_n_per_min: float | None = None,
    fruit_g: float | None = None,
    loss_frac: float = 0.0,
) -> Work:
    """Fruit off, minutes and harvest.

    Parameters
    ----------
    have_n, keep_n : float
        Fruit there are and fruit to keep.
    pace_n_per_min : float, optional
        The user's own pace, fruit off a minute. Faster, fewer minutes.
    fruit_g : float, optional, g
        Expected weight of one ripe fruit.
    loss_frac : float
        Share of kept fruit that will drop or be spoiled before picking. Raising it lowers the
        harvest.
    """
    at_least("have_n", have_n, 0)
    at_least("keep_n", keep_n, 0)
    in_range("loss_frac", loss_frac, 0, 1)
    off = max(have_n - keep_n, 0.0)
    minutes, kg = math.nan, math.nan
    if pace_n_per_min is not None:
        minutes = off / positive("pace_n_per_min", pace_n_per_min)
    if fruit_g is not None:
        kg = min(keep_n, have_n) * (1 - loss_frac) * positive("fruit_g", fruit_g) / 1000
    return Work(off, minutes, kg)


def h_per_acre(h_per_ha: float) -> float:
    """Hours an acre from hours a hectare."""
    return at_least("h_per_ha", h_per_ha, 0) * _HA_PER_ACRE


def machine_h_per_ha(hand_h_per_ha: float = HAND_THINNING_H_PER_HA) -> float:
    """Hours a hectare with the hand-held machine of the same study (89 % less)."""
    return at_least("hand_h_per_ha", hand_h_per_ha, 0) * (1 - _MACHINE_SAVING_FRAC)
