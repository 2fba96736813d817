"""From fruit seen to fruit there: hand counts, and photos from two sides.

A photo shows about half of a tree's fruit (slope 0.54 on mango, reported in Koirala, Walsh &
Wang, Agronomy 11(2):347, 2021). The factor is never taken from elsewhere: it is measured on a
few limbs of the user's own, and its own uncertainty widens every interval that uses it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from fruitcount.checks import at_least
from fruitcount.errors import BadInputError
from fruitcount.tree.estimate import Estimate, as_column, half_width, with_interval

__all__ = [
    "Factor",
    "TwoSides",
    "apply_factor",
    "factor_share",
    "seen_to_true",
    "two_sides",
]


@dataclass(frozen=True)
class Factor:
    """True fruit for one fruit seen.

    Attributes
    ----------
    value : float
        Multiply seen counts by it.
    se : float
        Standard error; NaN with one limb.
    low, high : float
        95 % interval; NaN with one limb.
    dof : float
    limbs_n : int
        Limbs it was measured on.
    limbs_are : str
        What those limbs are, in words that follow their number.
    range_times : (float, float)
        What the method itself may be off, either way: ends of intervals are multiplied by it.
    """

    value: float
    se: float
    low: float
    high: float
    dof: float
    limbs_n: int
    limbs_are: str = "hand-counted limbs"
    range_times: tuple[float, float] = (1.0, 1.0)


@dataclass(frozen=True)
class TwoSides:
    """Fruit on a limb photographed from front and back, hidden ones included.

    Attributes
    ----------
    value_n, var_n2 : float
        Estimate and its variance.
    low_n, high_n : float
        95 % interval.
    seen_n : int
        Different fruit seen from either side.
    """

    value_n: float
    var_n2: float
    low_n: float
    high_n: float
    seen_n: int


def seen_to_true(seen_n: ArrayLike, true_n: ArrayLike) -> Factor:
    """Factor from limbs that were both photographed and counted by hand.

    Ratio of sums with leverage-adjusted variance, as in
    :func:`fruitcount.tree.estimate.ratio_total` but without finite population correction: the
    limbs stand for any limb.

    Parameters
    ----------
    seen_n : array-like, shape (n,)
        Fruit counted on the photos.
    true_n : array-like, shape (n,)
        Fruit counted by hand on the same limbs. More limbs narrow the factor's interval.

    Raises
    ------
    BadInputError
        When lengths differ or no fruit was seen.
    """
    x, y = as_column("seen_n", seen_n), as_column("true_n", true_n)
    if len(x) != len(y):
        raise BadInputError(f"true_n must have {len(x)} values like seen_n, got {len(y)}")
    if x.sum() <= 0:
        raise BadInputError("seen_n must hold at least one fruit seen, got none")
    n, value = len(x), float(y.sum() / x.sum())
    if n < 2:
        return Factor(value, math.nan, math.nan, math.nan, 0, n)
    weight = x / x.sum()
    residual = (y - value * x) / np.sqrt(np.maximum(1.0 - weight, 1e-12))
    se = math.sqrt(float(np.sum(residual**2))) / float(x.sum())
    half = half_width(se, n - 1, 0.95)
    return Factor(value, se, max(value - half, 0.0), value + half, n - 1, n)


def two_sides(front_n: int, back_n: int, *, both_n: int) -> TwoSides:
    """Fruit on a limb from what each side shows and what both show.

    Chapman's estimator (Univ. Calif. Publ. Stat. 1:131-160, 1951) with Seber's variance (1970);
    the interval is log-normal in the number never seen (Chao 1987), so that it does not fall
    under the fruit seen. All three from memory. It assumes that being hidden from the front says
    nothing of being hidden from the back; fruit deep in leaves break that, and the estimate is
    then too low.

    Parameters
    ----------
    front_n, back_n : int
        Fruit seen from each side.
    both_n : int
        Fruit recognised as the same in both. Raising it lowers the estimate.
    """
    for name, number in (("front_n", front_n), ("back_n", back_n), ("both_n", both_n)):
        at_least(name, number, 0)
    if both_n > min(front_n, back_n):
        raise BadInputError(
            f"both_n must be at most {min(front_n, back_n)} (the smaller side), got {both_n}"
        )
    a, b, m = front_n, back_n, both_n
    value = (a + 1) * (b + 1) / (m + 1) - 1
    var = (a + 1) * (b + 1) * (a - m) * (b - m) / ((m + 1) ** 2 * (m + 2))
    seen = a + b - m
    hidden = value - seen
    if hidden <= 0 or var == 0:
        return TwoSides(value, var, value, value, seen)
    spread = math.exp(float(stats.norm.ppf(0.975)) * math.sqrt(math.log1p(var / hidden**2)))
    return TwoSides(value, var, seen + hidden / spread, seen + hidden * spread, seen)


def factor_share(seen: Estimate, factor: Factor) -> float:
    """Share of the answer's variance that comes from the hand counts, 0 to 1.

    More photos cannot take this part away: give it as ``fixed_share_frac`` to
    :func:`fruitcount.tree.advice.limbs_to_halve`. NaN where either spread could not be told.
    """
    by_sample = (factor.value * seen.se_n) ** 2
    by_factor = (seen.value_n * factor.se) ** 2
    both = by_sample + by_factor
    return by_factor / both if both > 0 else math.nan


def apply_factor(seen: Estimate, factor: Factor) -> Estimate:
    """A tree total of seen fruit made into one of true fruit, both uncertainties carried.

    Variance of a product of two independent estimates (Goodman, JASA 55:708-713, 1960, from
    memory), degrees of freedom by Satterthwaite.

    Parameters
    ----------
    seen : Estimate
        Tree total of fruit seen on photos.
    factor : Factor
        From :func:`seen_to_true`. A wide factor makes a wide answer, however many limbs are
        photographed.
    """
    value = seen.value_n * factor.value
    by_sample = (factor.value * seen.se_n) ** 2
    by_factor = (seen.value_n * factor.se) ** 2
    var = by_sample + by_factor + (seen.se_n * factor.se) ** 2
    parts = [(by_sample, seen.dof), (by_factor, factor.dof)]
    shrink = sum(v**2 / d for v, d in parts if v > 0 and d > 0)
    known = by_sample + by_factor
    dof = known**2 / shrink if shrink > 0 and math.isfinite(known) else float(max(seen.dof, 1))
    raw = Estimate(
        value, math.sqrt(var), math.nan, math.nan, dof, seen.sampled_n, seen.level_frac,
        f"{seen.method}, times {factor.value:.2f} by {factor.limbs_n} {factor.limbs_are}",
        seen.counted_n, hidden_too=True,
    )  # fmt: skip
    out = with_interval(raw, floor_n=min(seen.counted_n, value))
    low = max(out.low_n * factor.range_times[0], min(seen.counted_n, value))
    return replace(out, low_n=low, high_n=out.high_n * factor.range_times[1])
