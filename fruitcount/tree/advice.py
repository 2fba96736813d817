"""How many more limbs would halve the interval, and which ones to photograph next.

Picking limbs whose mean size stays near the tree's mean protects a ratio estimate against crop
per area that changes with limb size (balanced samples: Royall & Herson, JASA 68:880-889, 1973,
from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from fruitcount.checks import in_range
from fruitcount.errors import BadInputError
from fruitcount.tree.estimate import LimbGroup, as_column

__all__ = ["MoreLimbs", "draw_limbs", "limbs_to_halve", "more_paths", "next_by_group", "next_limbs"]


@dataclass(frozen=True)
class MoreLimbs:
    """What to photograph next.

    Attributes
    ----------
    more_n : int
        Further limbs needed; 0 when every limb is done.
    which : tuple of int
        Their indices in the list of all limbs, best first.
    share_frac : float
        Expected width of the new interval as a share of the old one.
    reached : bool
        Whether the wish is met. It is not when hand counts make up most of the width: then count
        more limbs by hand.
    """

    more_n: int
    which: tuple[int, ...]
    share_frac: float
    reached: bool


def _shape(n: int, all_n: int) -> float:
    if n >= all_n:
        return 0.0
    return float(stats.t.ppf(0.975, n - 1)) * math.sqrt((1 - n / all_n) / n)


def limbs_to_halve(
    area_cm2: ArrayLike,
    sampled: Sequence[int],
    *,
    wish_frac: float = 0.5,
    fixed_share_frac: float = 0.0,
) -> MoreLimbs:
    """Count the further limbs for an interval ``wish_frac`` as wide, and name them.

    Parameters
    ----------
    area_cm2 : array-like, shape (N,), cm2
        Every limb of the tree.
    sampled : sequence of int
        Indices of the limbs photographed so far, at least two.
    wish_frac : float
        0.5 halves the interval. Lower asks for more limbs.
    fixed_share_frac : float
        Share of the present *variance* that more photos cannot take away, because it comes from
        the hand counts. Raising it asks for more limbs, or makes the wish unreachable.

    Notes
    -----
    Uses t x sqrt((1 - n/N)/n), the shape of a random sample's half width; the spread between
    limbs is taken to stay what it was.
    """
    area = as_column("area_cm2", area_cm2, least=1e-9)
    in_range("wish_frac", wish_frac, 0.05, 0.99)
    in_range("fixed_share_frac", fixed_share_frac, 0.0, 1.0)
    n, all_n = len(set(sampled)), len(area)
    if n < 2 or not all(0 <= i < all_n for i in sampled):
        raise BadInputError(f"sampled must name at least two of {all_n} limbs, got {sampled!r}")
    now = _shape(n, all_n)
    share = 0.0
    for new in range(n, all_n + 1):
        left = (_shape(new, all_n) / now) ** 2 if now else 0.0
        share = math.sqrt((1 - fixed_share_frac) * left + fixed_share_frac)
        if share <= wish_frac + 1e-9 or new == all_n:
            break
    return MoreLimbs(new - n, next_limbs(area, sampled, new - n), share, share <= wish_frac + 1e-9)


def draw_limbs(
    limbs: Sequence[str],
    draw_n: int,
    *,
    diameters_mm: ArrayLike | None = None,
    seed: int | None = None,
) -> tuple[str, ...]:
    """Draw by lot the limbs to photograph; with their thickness, one of each size group.

    Parameters
    ----------
    limbs : sequence of str
        Every limb of the tree.
    draw_n : int
        Limbs to draw.
    diameters_mm : array-like, mm, optional
        Of each limb: they are sorted into as many groups as limbs are drawn, thin to thick.
    seed : int, optional
        The same one draws the same limbs.
    """
    in_range("draw", draw_n, 1, len(limbs))
    rng = np.random.default_rng(seed)
    if diameters_mm is None:
        picked = rng.choice(len(limbs), draw_n, replace=False)
    else:
        groups = np.array_split(np.argsort(as_column("diameters_mm", diameters_mm)), draw_n)
        picked = np.array([rng.choice(group) for group in groups])
    return tuple(limbs[i] for i in sorted(picked))


def next_limbs(area_cm2: ArrayLike, sampled: Sequence[int], more_n: int) -> tuple[int, ...]:
    """Limbs that keep the sample's mean size nearest the tree's; ties go to the larger limb."""
    area = as_column("area_cm2", area_cm2, least=1e-9)
    chosen, picked = list(dict.fromkeys(sampled)), []
    for _ in range(more_n):
        left = [i for i in range(len(area)) if i not in chosen]
        if not left:
            break
        have = float(sum(area[i] for i in chosen))
        off = [abs((have + area[i]) / (len(chosen) + 1) - area.mean()) for i in left]
        best = min(zip(off, (-area[i] for i in left), left, strict=True))[2]
        chosen.append(best)
        picked.append(best)
    return tuple(picked)


def next_by_group(groups: Sequence[LimbGroup], more_n: int) -> dict[str, int]:
    """Share further limbs over groups where they narrow the interval most (Neyman, 1934).

    Parameters
    ----------
    groups : sequence of LimbGroup
        At least two photographed limbs each.
    more_n : int
        Limbs to share out; no group gets more than it has left.
    """
    spread = {g.name: float(np.std(as_column("fruit_n", g.fruit_n), ddof=1)) for g in groups}
    have = {g.name: len(g.fruit_n) for g in groups}
    extra = dict.fromkeys(have, 0)
    for _ in range(more_n):
        gain = {
            g.name: (g.limbs_n * spread[g.name]) ** 2
            * (1 / (have[g.name] + extra[g.name]) - 1 / (have[g.name] + extra[g.name] + 1))
            for g in groups
            if have[g.name] + extra[g.name] < g.limbs_n
        }
        if not gain:
            break
        extra[max(gain, key=lambda name: gain[name])] += 1
    return extra


def more_paths(paths_n: int, *, wish_frac: float = 0.5) -> int:
    """Further random walks needed for an interval ``wish_frac`` as wide."""
    in_range("wish_frac", wish_frac, 0.05, 0.99)
    if paths_n < 2:
        raise BadInputError(f"paths_n must be at least 2, got {paths_n}")
    now = float(stats.t.ppf(0.975, paths_n - 1)) / math.sqrt(paths_n)
    new = paths_n
    while float(stats.t.ppf(0.975, new - 1)) / math.sqrt(new) > wish_frac * now:
        new += 1
    return new - paths_n
