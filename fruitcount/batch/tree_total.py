"""One tree's total from its counted limbs or walks, and what would make it surer."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from fruitcount.batch.tree_facts import SizedLimb, TreeFacts
from fruitcount.errors import BadInputError
from fruitcount.tree import (
    Estimate,
    Factor,
    LimbGroup,
    apply_factor,
    factor_share,
    grouped_total,
    limbs_to_halve,
    more_paths,
    next_by_group,
    paths_total,
    ratio_total,
    simple_total,
)

__all__ = ["Surer", "estimate_of"]


@dataclass(frozen=True)
class Surer:
    """What would halve the interval.

    Attributes
    ----------
    limbs : tuple of int
        Indices of the limbs to photograph, best first.
    walks_n : int
        Further random walks, where they told the total.
    share_frac : float
        Expected width of the interval then, as a share of now; NaN if it cannot be told.
    """

    limbs: tuple[int, ...] = ()
    walks_n: int = 0
    share_frac: float = math.nan


def estimate_of(
    limbs: Sequence[SizedLimb], area: Any, factor: Factor | None, *, facts: TreeFacts
) -> tuple[Estimate, Surer]:
    """The total with its interval, and what would make it surer.

    Parameters
    ----------
    limbs : sequence of SizedLimb
        Every limb of the tree.
    area : array, cm2
        Their cross-sections.
    factor : Factor or None
        True fruit for one seen. Walks are counted by hand and need none.
    facts : TreeFacts

    Raises
    ------
    BadInputError
        When groups are asked for and a limb has none.
    """
    if facts.walks:
        total = paths_total(facts.walks)
        walks = more_paths(len(facts.walks)) if len(facts.walks) > 1 else 1
        return total, Surer(walks_n=walks, share_frac=0.5 if len(facts.walks) > 1 else math.nan)
    seen = [i for i, limb in enumerate(limbs) if math.isfinite(limb.count_n)]
    total = _total(limbs, area, seen, facts)
    fixed = 0.0
    if factor is not None:
        share = factor_share(total, factor)
        fixed = share if math.isfinite(share) else 0.0
        total = apply_factor(total, factor)
    rest = tuple(i for i in range(len(limbs)) if i not in seen)
    if len(seen) < 2 or not rest:
        return total, Surer(rest[:1])
    more = limbs_to_halve(area, seen, fixed_share_frac=fixed)
    which = more.which
    if facts.by_group:
        which = _in_groups(limbs, seen, more.more_n) or which
    return total, Surer(which, share_frac=more.share_frac)


def _total(
    limbs: Sequence[SizedLimb], area: Any, seen: Sequence[int], facts: TreeFacts
) -> Estimate:
    fruit = [limbs[i].count_n for i in seen]
    if facts.by_group:
        return grouped_total(_groups(limbs, seen))
    if facts.limbs_n:
        return simple_total(fruit, limbs_n=len(limbs))
    within = [limbs[i].var_n2 for i in seen]
    return ratio_total(fruit, area[list(seen)], all_area_cm2=area, limb_var=within)


def _groups(limbs: Sequence[SizedLimb], seen: Sequence[int]) -> list[LimbGroup]:
    names = [limb.size.group for limb in limbs]
    if not all(names):
        lack = limbs[names.index("")].name
        raise BadInputError(f"group must be told for every limb, got none for limb {lack!r}")
    out = []
    for group in dict.fromkeys(names):
        fruit = tuple(limbs[i].count_n for i in seen if names[i] == group)
        if not fruit:
            raise BadInputError(f"group {group!r} must have a photographed limb, got none")
        out.append(LimbGroup(group, fruit, names.count(group)))
    return out


def _in_groups(limbs: Sequence[SizedLimb], seen: Sequence[int], more_n: int) -> tuple[int, ...]:
    """The next limbs, shared over the groups; empty where a group has too few to tell."""
    groups = _groups(limbs, seen)
    short = [g.name for g in groups if len(g.fruit_n) < 2 and len(g.fruit_n) < g.limbs_n]
    open_ = [i for i in range(len(limbs)) if i not in seen]
    if short:  # a spread needs two of a group: those come first
        return tuple(next(i for i in open_ if limbs[i].size.group == name) for name in short)
    wanted = next_by_group([g for g in groups if len(g.fruit_n) > 1], more_n)
    out = []
    for name, number in wanted.items():
        out += [i for i in open_ if limbs[i].size.group == name][:number]
    return tuple(out)
