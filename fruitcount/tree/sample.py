"""Whole tree from limbs chosen at random, plain or by groups of limbs, without sizes.

Expansion estimators with finite population correction (Cochran, *Sampling Techniques*, 3rd ed.
1977, ch. 2 and 5, from memory); degrees of freedom of the grouped one by Satterthwaite.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fruitcount.errors import BadInputError
from fruitcount.tree.estimate import Estimate, as_column, with_interval

__all__ = ["LimbGroup", "grouped_total", "simple_total"]


@dataclass(frozen=True)
class LimbGroup:
    """Limbs alike (top and bottom, sunny and shaded), some of which were photographed.

    Attributes
    ----------
    name : str
    fruit_n : tuple of float
        Fruit on each photographed limb of the group.
    limbs_n : int
        Limbs in the group, photographed or not.
    """

    name: str
    fruit_n: tuple[float, ...]
    limbs_n: int


def simple_total(fruit_n: ArrayLike, *, limbs_n: int, level_frac: float = 0.95) -> Estimate:
    """Mean fruit of the photographed limbs times the number of limbs.

    Parameters
    ----------
    fruit_n : array-like
        Fruit on each photographed limb, chosen at random.
    limbs_n : int
        Limbs on the tree.
    level_frac : float
        Raising it widens the interval.
    """
    group = LimbGroup("all", tuple(as_column("fruit_n", fruit_n)), limbs_n)
    return _total([group], level_frac, "taken as picked at random")


def grouped_total(groups: Sequence[LimbGroup], *, level_frac: float = 0.95) -> Estimate:
    """Sum of the groups' own totals; groups that differ narrow the interval.

    Parameters
    ----------
    groups : sequence of LimbGroup
        Each needs two photographed limbs (or all of them) for an interval.
    level_frac : float
        Raising it widens the interval.
    """
    if not groups:
        raise BadInputError("groups must hold at least one group, got none")
    return _total(groups, level_frac, "limbs by group")


def _total(groups: Sequence[LimbGroup], level_frac: float, method: str) -> Estimate:
    value = counted = var = 0.0
    satterthwaite = 0.0
    for g in groups:
        y = as_column(f"fruit_n of {g.name}", g.fruit_n)
        n = len(y)
        if n > g.limbs_n:
            raise BadInputError(f"limbs_n of {g.name} must be at least {n}, got {g.limbs_n}")
        value += g.limbs_n * float(y.mean())
        counted += float(y.sum())
        if n == g.limbs_n:
            continue
        part = math.nan
        if n > 1:
            part = g.limbs_n**2 * (1 - n / g.limbs_n) * float(np.var(y, ddof=1)) / n
            satterthwaite += part**2 / (n - 1)
        var += part
    sampled = sum(len(g.fruit_n) for g in groups)
    if var == 0.0:
        dof = float(max(sampled - len(groups), 1))
    else:
        dof = var**2 / satterthwaite if satterthwaite and math.isfinite(var) else 0.0
    raw = Estimate(
        value, math.sqrt(var), math.nan, math.nan, dof, sampled, level_frac, method, counted
    )
    return with_interval(raw)
