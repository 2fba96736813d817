"""What counts on photos are to be multiplied by: from limbs counted by hand, or count ranges.

A photo shows about half of a tree's fruit (slope 0.54 on mango, reported in Koirala, Walsh &
Wang, Agronomy 11(2):347, 2021). The factor is never taken from elsewhere: it is measured on a
few limbs of the user's own, and its own uncertainty widens every interval that uses it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fruitcount.errors import BadInputError
from fruitcount.tree.estimate import Estimate, as_column, product_interval, t_times

BY_HAND, BY_SIDES, BY_RANGE = (
    "hand-counted limbs", "limbs seen from both sides", "photos with a count range"
)  # fmt: skip
"""What a factor was measured on: words in the method of an estimate by it."""

_NINETY_TO_95 = 1.960 / 1.645  # standard deviations of a normal distribution


@dataclass(frozen=True)
class Factor:
    """True fruit for one fruit seen.

    Attributes
    ----------
    value : float
        Multiply seen counts by it.
    low, high : float
        95 % interval, with what the method itself may be off; NaN with one limb.
    limbs_n : int
        Limbs it was measured on.
    limbs_are : str
        What those limbs are: :data:`BY_HAND`, :data:`BY_SIDES` or :data:`BY_RANGE`.
    seen_n : float
        Fruit seen on them; 0 where ranges tell.
    """

    value: float
    low: float
    high: float
    limbs_n: int
    limbs_are: str = BY_HAND
    seen_n: float = 0.0

    @property
    def known(self) -> bool:
        """Whether its interval could be told."""
        return math.isfinite(self.high)


def ratio_factor(seen_n: ArrayLike, true_n: ArrayLike, *, least_se: float = 0.0) -> Factor:
    """Factor from limbs of which the photos' count and the true one are known.

    Ratio of sums with leverage-adjusted variance, as in
    :func:`fruitcount.tree.estimate.ratio_total` but without finite population correction: the
    limbs stand for any limb. The interval lies on the log scale.

    Parameters
    ----------
    seen_n : array-like, shape (n,)
        Fruit counted on the photos.
    true_n : array-like, shape (n,)
        Fruit counted by hand on the same limbs. More limbs narrow the factor's interval.
    least_se : float
        Least standard error of the sum of ``true_n`` for one fruit seen.

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
    if n < 2 or not value:
        return Factor(value, math.nan, math.nan, n)
    weight = x / x.sum()
    residual = (y - value * x) / np.sqrt(np.maximum(1.0 - weight, 1e-12))
    se = max(math.sqrt(float(np.sum(residual**2))) / float(x.sum()), least_se)
    times = math.exp(min(t_times(n - 1) * math.sqrt(math.log1p((se / value) ** 2)), 50.0))
    return Factor(value, value / times, value * times, n, seen_n=float(x.sum()))


def range_factor(low_n: ArrayLike, high_n: ArrayLike, count_n: ArrayLike) -> Factor:
    """Factor from the range that each photo's own count may be off by; hidden fruit are not in it.

    What one photo misses the others are likely to miss too: the ranges are added end to end. They
    hold nine times in ten; to hold 95 in 100 they are made wider on the log scale (simulated:
    94-98 % then hold).

    Parameters
    ----------
    low_n, high_n : array-like, shape (n,)
        Ends of each photo's range. Wider ones make a wider answer.
    count_n : array-like, shape (n,)
        Fruit counted on the photos.
    """
    count = max(float(as_column("count_n", count_n).sum()), 0.5)
    low = max(float(as_column("low_n", low_n).sum()), 0.5)
    high = max(float(as_column("high_n", high_n).sum()), low)
    middle, times = math.sqrt(low * high), math.sqrt(high / low) ** _NINETY_TO_95
    limbs_n = len(np.atleast_1d(count_n))
    return Factor(middle / count, middle / times / count, middle * times / count, limbs_n, BY_RANGE)


def factor_share(total: Estimate, factor: Factor | None) -> float:
    """Share of a total's squared width that comes from its factor, 0 to 1; NaN if unknown.

    More photos cannot take this part away.
    """
    if factor is None or not (total.known and factor.known and total.low_n > 0):
        return math.nan
    by_factor, whole = (
        math.log(high / low) ** 2
        for low, high in ((factor.low, factor.high), (total.low_n, total.high_n))
    )
    return min(by_factor / whole, 1.0) if by_factor else 0.0


def apply_factor(seen: Estimate, factor: Factor) -> Estimate:
    """A tree total of seen fruit made into one of true fruit, both uncertainties carried.

    Parameters
    ----------
    seen : Estimate
        Tree total of fruit seen on photos.
    factor : Factor
        A wide factor makes a wide answer, however many limbs are photographed.
    """
    value, low, high = seen.value_n * factor.value, math.nan, math.nan
    if seen.known and factor.known:
        # half a fruit where none was seen: a product needs what is over 0
        shown, least, most = (max(n, 0.5) for n in (seen.value_n, seen.low_n, seen.high_n))
        # what photos miss of the tree's own limbs differs by chance as on those counted by hand
        own = math.sqrt(1 + factor.seen_n * seen.counted_n / shown**2)
        down, up = (factor.value * (x / factor.value) ** own for x in (factor.low, factor.high))
        by_range = factor.limbs_are == BY_RANGE
        dof = None if by_range else (_dof(seen), factor.limbs_n - 1)
        low, high = product_interval((shown, least, most), (factor.value, down, up), dof=dof)
        low = max(low if seen.value_n else 0.0, min(seen.counted_n, value))
    method = f"{seen.method}, times {factor.value:.2f} by {factor.limbs_n} {factor.limbs_are}"
    return Estimate(
        value, seen.se_n * factor.value, low, high, seen.sampled_n, method, seen.counted_n,
        hidden_too=factor.limbs_are != BY_RANGE, all_limbs=seen.all_limbs
    )  # fmt: skip


def _dof(seen: Estimate) -> float:
    """Degrees of freedom of a total; without end where chance makes it wider than its limbs do."""
    dof = max(seen.sampled_n - 1, 1)
    by_limbs = t_times(dof) * math.sqrt(math.log1p((seen.se_n / max(seen.value_n, 0.5)) ** 2))
    return dof if seen.high_n <= seen.value_n * math.exp(1.1 * by_limbs) else math.inf
