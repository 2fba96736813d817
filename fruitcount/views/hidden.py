"""What no photo of a limb shows, told from which fruit were seen on which photos."""

from __future__ import annotations

import math
from collections.abc import Sequence

from scipy import stats

from fruitcount.tree.hidden import TOO_HIGH_FRAC, TOO_LOW_FRAC, two_sides

__all__ = ["SEEN_TOO_MANY_FRAC", "chao_bound", "likely_range"]

SEEN_TOO_MANY_FRAC = 0.25
"""Of the fruit seen, at most so many are false marks or one fruit taken for two (simulation)."""


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
    counts: Sequence[int], both_n: float, seen_on: Sequence[int]
) -> tuple[float, float]:
    """Between which numbers the limb's fruit lie, hidden ones included.

    Parameters
    ----------
    counts : sequence of int
        Fruit on each photo.
    both_n : float
        For two photos: fruit recognised on both. More of them bring the upper end down.
    seen_on : sequence of int
        On how many photos each different fruit was seen.
    """
    seen = len(seen_on)
    low = max(0.85 * max(counts), (1 - SEEN_TOO_MANY_FRAC) * seen) if counts else 0.0
    if len(counts) == 2:
        both = min(round(both_n), *counts)
        high = two_sides(counts[0], counts[1], both_n=both).high_n
        low = min(low, high / (1 + TOO_HIGH_FRAC))
    else:
        once, twice = (sum(n == k for n in seen_on) for k in (1, 2))
        high = chao_bound(once, twice, len(counts), seen)[1]
    return low, max(high / (1 - TOO_LOW_FRAC), float(seen))
