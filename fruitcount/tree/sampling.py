"""Which limbs to photograph, by lot and next; and a whole tree from a few walks to its tips.

Random walks are randomized branch sampling: R. J. Jessen, "Determining the fruit count on a tree
by randomized branch sampling", Biometrics 11:99-109, 1955. At every fork one branch is taken by
chance; the fruit found on each
segment is divided by the *running product* of the chances so far. Dividing by the fork's own
chance instead gives too little.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fruitcount.errors import BadInputError, in_range
from fruitcount.tree.estimate import WIDEST_TIMES, Estimate, LimbGroup, as_column, t_times
from fruitcount.types import FloatArray

# A path that goes by thin wood is rare and large, so path totals lean to the right and few of them
# make the interval too narrow. It is taken on the log scale with 0.6 of the usual degrees of
# freedom: our own choice, by simulation (4-12 walks, three forks): 93-96 % of 95 % intervals then
# hold while areas at the forks are measured within 30 %, 90-92 % when only within 50 %.
_DOF_SHARE = 0.6
FEWEST_WALKS = 3  # our choice


@dataclass(frozen=True)
class Walk:
    """One walk from the trunk to a tip.

    Attributes
    ----------
    fruit_n : tuple of float
        Fruit on each segment, from the trunk outward.
    chance_frac : tuple of float
        Chance with which that segment was taken at its own fork; 1 for the trunk.
    """

    fruit_n: tuple[float, ...]
    chance_frac: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.fruit_n) != len(self.chance_frac) or not self.fruit_n:
            raise BadInputError(
                f"fruit_n and chance_frac must have one value a segment, got "
                f"{len(self.fruit_n)} and {len(self.chance_frac)}"
            )
        as_column("fruit_n", self.fruit_n)
        chance = as_column("chance_frac", self.chance_frac)
        if float(chance.min()) <= 0 or float(chance.max()) > 1 + 1e-12:
            raise BadInputError(f"chance_frac must be over 0, up to 1, got {self.chance_frac!r}")

    @property
    def total_n(self) -> float:
        """The path's own unbiased estimate of the whole tree."""
        return float(np.sum(np.asarray(self.fruit_n) / np.cumprod(self.chance_frac)))


def fork_chances(size: ArrayLike) -> FloatArray:
    """Chance of each branch at a fork, proportional to its size (cross-section area).

    Shape (N,) before and after, one a branch.

    Parameters
    ----------
    size : array-like
        One positive number a branch. USDA NASS SRB-95-01 (1995) found cross-section area the
        right one for apple; others used length. Any choice is unbiased.
    """
    values = as_column("size", size, least=1e-12)
    chances: FloatArray = values / values.sum()
    return chances


def draw_fork(diameters_mm: ArrayLike, *, seed: int | None = None) -> tuple[int, float]:
    """Draw the branch to go on along, by chance proportional to cross-section.

    Parameters
    ----------
    diameters_mm : array-like, mm
        Of all branches at the fork.
    seed : int, optional
        The same one draws the same branch.

    Returns
    -------
    int, and the chance it had
    """
    odds = fork_chances(as_column("diameters_mm", diameters_mm, least=1e-9) ** 2)
    which = int(np.random.default_rng(seed).choice(len(odds), p=odds))
    return which, float(odds[which])


def paths_total(paths: Sequence[Walk]) -> Estimate:
    """Mean of the paths' estimates with its interval.

    Parameters
    ----------
    paths : sequence of Walk
        Independent walks; a path may come twice. More walks make the interval narrower.

    Returns
    -------
    Estimate
        ``se_n`` is NaN with a single path; there is no interval under three, nor one where the
        walks differ so much that it would span over ten times each way. On a very uneven tree
        a few walks tell little: published trials on pecan had sampling errors over 100 %.
    """
    if not paths:
        raise BadInputError("paths must hold at least one path, got none")
    totals = np.array([p.total_n for p in paths])
    n, value = len(totals), float(totals.mean())
    se = float(totals.std(ddof=1)) / math.sqrt(n) if n > 1 else math.nan
    counted = max(float(sum(p.fruit_n)) for p in paths)
    low, high = math.nan, math.nan
    if n >= FEWEST_WALKS:
        rel = se / value if value > 0 else 0.0
        log_half = t_times((n - 1) * _DOF_SHARE) * math.sqrt(math.log1p(rel**2))
        if log_half <= math.log(WIDEST_TIMES):
            low = max(value / math.exp(log_half), counted)
            high = max(value * math.exp(log_half), low)
    return Estimate(value, se, low, high, n, "randomized branch sampling", counted, hidden_too=True)


def more_paths(paths_n: int) -> int:
    """Further random walks needed for an interval half as wide."""
    if paths_n < 2:
        raise BadInputError(f"paths_n must be at least 2, got {paths_n}")
    now, new = t_times(paths_n - 1) / math.sqrt(paths_n), paths_n
    while t_times(new - 1) / math.sqrt(new) > now / 2:
        new += 1
    return new - paths_n


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


def limbs_to_halve(
    area_cm2: ArrayLike, sampled: Sequence[int], *, fixed_share_frac: float = 0.0
) -> tuple[tuple[int, ...], float]:
    """Further limbs for an interval half as wide, and the share of it that is left then.

    Parameters
    ----------
    area_cm2 : array-like, shape (N,), cm2
        Every limb of the tree.
    sampled : sequence of int
        Indices of the limbs photographed so far, at least two.
    fixed_share_frac : float
        Share of the present squared width that more photos cannot take away, because it comes
        from the hand counts. Raising it asks for more limbs, until a half cannot be reached.

    Notes
    -----
    Uses t x sqrt((1 - n/N)/n), the shape of a random sample's half width; the spread between
    limbs is taken to stay what it was.
    """
    area = as_column("area_cm2", area_cm2, least=1e-9)
    n, all_n = len(set(sampled)), len(area)
    if n < 2 or not all(0 <= i < all_n for i in sampled):
        raise BadInputError(f"sampled must name at least two of {all_n} limbs, got {sampled!r}")

    def left_frac(new: int) -> float:
        shape = t_times(new - 1) ** 2 * (1 - new / all_n) / new
        now = t_times(n - 1) ** 2 * (1 - n / all_n) / n
        return math.sqrt((1 - fixed_share_frac) * shape / now + fixed_share_frac) if now else 0.0

    enough = (new for new in range(n, all_n) if left_frac(new) <= 0.5 + 1e-9)
    new = next(enough, all_n)
    return next_limbs(area, sampled, new - n), left_frac(new)


def next_limbs(area_cm2: ArrayLike, sampled: Sequence[int], more_n: int) -> tuple[int, ...]:
    """Limbs that keep the sample's mean size nearest the tree's; ties go to the larger limb.

    Such samples protect a ratio estimate against crop per area that changes with limb size
    (balanced samples: Royall & Herson, JASA 68:880-889, 1973, from memory).
    """
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
