"""What no photo of a limb shows, estimated from which fruit were seen on which photos."""

from __future__ import annotations

import math
from collections.abc import Sequence

from scipy import stats

from fruitcount.tree.both_sides import TOO_HIGH_FRAC, TOO_LOW_FRAC, BothSides


def chao_bound(once_n: int, twice_n: int, photos_n: int, seen_n: int) -> tuple[float, float]:
    """Least number of fruit that is likely there, and the upper end of its 95 % interval.

    Chao's bound for fruit that differ in how well they show, bias-corrected (Chao, Biometrics
    43:783-791, 1987; log-normal interval from there; both from memory).

    Parameters
    ----------
    once_n, twice_n : int
        Fruit seen on one photo and on two. More seen once raise the bound.
    photos_n : int
        At least 3: two tell nothing of how fruit differ.
    seen_n : int
        Different fruit seen.
    """
    share = (photos_n - 1) / photos_n
    hidden = share * once_n * (once_n - 1) / (2 * (twice_n + 1))
    if hidden <= 0:
        return float(seen_n), float(seen_n)
    ratio = once_n / (twice_n + 1)
    var = hidden + share**2 * ratio**3 * (twice_n + 1) * (1 + ratio / 4)
    spread = math.exp(float(stats.norm.ppf(0.975)) * math.sqrt(math.log1p(var / hidden**2)))
    return seen_n + hidden, seen_n + hidden * spread


def likely_range(
    counts: Sequence[int], seen_on: Sequence[int], possible_n: int
) -> tuple[float, float]:
    """Between which numbers the limb's fruit lie, hidden ones included.

    The lower end takes every possible pair for one fruit, and some marks for no fruit.

    Parameters
    ----------
    counts : sequence of int
        Fruit on each photo.
    seen_on : sequence of int
        On how many photos each different fruit was seen.
    possible_n : int
        Fruit that may be one of the others, seen again. More of them lower the lower end.
    """
    seen = len(seen_on)
    low = max(seen - possible_n, *counts) / (1 + TOO_HIGH_FRAC)
    once, twice = (sum(n == k for n in seen_on) for k in (1, 2))
    if len(counts) == 2:
        return low, BothSides("", counts[0], counts[1], twice).range_n[1]
    return low, chao_bound(once, twice, len(counts), seen)[1] / (1 - TOO_LOW_FRAC)
