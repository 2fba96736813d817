"""One tree counted: all its limbs, the total with its interval, what would narrow it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fruitcount.errors import BadInputError
from fruitcount.tree.both_sides import both_sides_factor, both_sides_lines, enough_seen
from fruitcount.tree.estimate import (
    Estimate,
    LimbGroup,
    csa_cm2,
    grouped_total,
    ratio_total,
    simple_total,
)
from fruitcount.tree.facts import LimbSize, SizedLimb, TreeFacts
from fruitcount.tree.group import LimbCount, group_limbs
from fruitcount.tree.hidden import (
    BY_SIDES,
    Factor,
    apply_factor,
    factor_share,
    range_factor,
    ratio_factor,
)
from fruitcount.tree.sampling import (
    FEWEST_WALKS,
    limbs_to_halve,
    more_paths,
    next_by_group,
    paths_total,
)

_UNNAMED = "other limb"


def as_factor_takes(counted: Sequence[LimbCount], facts: TreeFacts) -> list[LimbCount]:
    """Limbs counted as the factor takes them.

    One from limbs seen from both sides holds for one side: a limb on photos from both then counts
    as their mean, not as the better of them.
    """
    if facts.seen_true or not enough_seen(facts.both_sides):
        return list(counted)
    return [
        replace(x, count_n=x.mean_n, how="the mean of front and back")
        if x.mean_n != x.count_n
        else x
        for x in counted
    ]


def seen_factor(facts: TreeFacts) -> tuple[Factor | None, tuple[str, ...]]:
    """What the photos' counts are to be multiplied by, and what is to be said of it.

    Parameters
    ----------
    facts : TreeFacts
        Hand counts lead; the limbs seen from both sides come after. None without either.
    """
    lines = both_sides_lines(facts.both_sides) if facts.both_sides else ()
    if facts.seen_true:
        if lines:
            lines = (*lines, "The tree's total rests on the limbs counted by hand, not on those "
                     "seen from both sides.")  # fmt: skip
        return ratio_factor(*zip(*facts.seen_true, strict=True)), lines
    if not enough_seen(facts.both_sides):
        return None, lines
    factor = both_sides_factor(facts.both_sides)
    span = f" ({factor.low:.2f} to {factor.high:.2f})" if factor.known else ""
    return factor, (*lines, "For each fruit seen on one side (the mean of front and back) there "
                    f"are {factor.value:.2f}{span}.")  # fmt: skip


def _total(
    limbs: Sequence[SizedLimb], area: Any, seen: Sequence[int], facts: TreeFacts
) -> Estimate:
    if facts.walks:
        return paths_total(facts.walks)
    fruit = [limbs[i].count_n for i in seen]
    if facts.by_group:
        return grouped_total(_groups(limbs, seen))
    if facts.limbs_n:
        return simple_total(fruit, limbs_n=len(limbs))
    return ratio_total(fruit, area[list(seen)], all_area_cm2=area)


def _groups(limbs: Sequence[SizedLimb], seen: Sequence[int]) -> list[LimbGroup]:
    names = [limb.size.group for limb in limbs]
    if not all(names):
        lack = limbs[names.index("")].name
        raise BadInputError(f"every limb must have a group, got none for limb {lack!r}")
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


@dataclass(frozen=True)
class TreeCount:
    """A counted tree, before anything is decided.

    Attributes
    ----------
    limbs : tuple of SizedLimb
        Every limb of the tree; seen fruit, hidden ones not added.
    total : Estimate
        Fruit on the tree, hidden ones added where something tells of them.
    likely : Estimate or None
        Where nothing does: what is likely in sight, from the range of each photo's own count.
    files : mapping
        Limb name to the photos it was counted on.
    next_limbs : tuple of str
        Photograph these next; see ``surer``.
    surer : str
        What would halve the interval, in a sentence; empty when nothing is left to do.
    true_per_seen : float
        What the hand counts say, else the limbs seen from both sides; 1 without any.
    hand_limbs : mapping
        Limb name to its own count by hand.
    notes : tuple of str
        What had to be assumed.
    """

    limbs: tuple[SizedLimb, ...]
    total: Estimate
    likely: Estimate | None
    files: Mapping[str, tuple[str, ...]]
    next_limbs: tuple[str, ...]
    surer: str
    true_per_seen: float
    hand_limbs: Mapping[str, float]
    notes: tuple[str, ...]


def limbs_of_tree(
    rows: Iterable[Mapping[str, Any]], tree: str
) -> tuple[list[LimbCount], dict[str, float]]:
    """The limbs of one tree before thinning, and their mean measured lengths in mm.

    Parameters
    ----------
    rows : iterable of mapping
        As :func:`fruitcount.tree.group.group_limbs` takes them. Photos taken after thinning are
        left out.
    tree : str
    """
    mine = [r for r in rows if (r.get("tree") or "") == tree and r.get("moment") != "after"]
    mine = [{**r, "moment": ""} for r in mine]
    limbs = group_limbs(mine)
    by_file = {str(r["file"]): r.get("length_mm") for r in mine}
    lengths = {}
    for limb in limbs:
        known = [float(v) for f in limb.files if (v := by_file.get(f)) is not None]
        if known:
            lengths[limb.limb] = float(np.mean(known))
    return limbs, lengths


def tree_count(rows: Sequence[Mapping[str, Any]], tree: str, facts: TreeFacts) -> TreeCount:
    """Estimate a tree from its counted photos.

    Parameters
    ----------
    rows : sequence of mapping
        One a photo, such as :func:`fruitcount.tree.folder.read_rows` gives.
    tree : str
        Its name in the rows.
    facts : TreeFacts

    Raises
    ------
    BadInputError
        When no limb of the tree was counted.
    """
    counted, lengths = limbs_of_tree(rows, tree)
    counted = [limb for limb in counted if math.isfinite(limb.count_n)]
    if not counted:
        known = ", ".join(sorted({str(r.get("tree") or "(no name)") for r in rows})) or "none"
        raise BadInputError(f"tree must have counted limbs, got {tree!r} (trees there: {known})")
    counted = as_factor_takes(counted, facts)
    limbs, notes = _all_limbs(counted, lengths, facts)
    area = csa_cm2([limb.size.base_diameter_mm for limb in limbs])
    seen = [i for i, limb in enumerate(limbs) if math.isfinite(limb.count_n)]
    in_sight = _total(limbs, area, seen, facts)
    factor, told = seen_factor(facts)
    # walks are counted by hand and need no factor
    total = in_sight if factor is None or facts.walks else apply_factor(in_sight, factor)
    following: tuple[str, ...] = ()
    surer = _more_walks(total) if facts.walks else ""
    if not facts.walks:
        following, share = _next_limbs(limbs, area, seen, factor_share(total, factor), facts)
        surer = _surer(share if in_sight.known else math.nan, following, factor)
    return TreeCount(
        tuple(limbs),
        total,
        None if total.hidden_too else _likely(in_sight, [limbs[i] for i in seen]),
        {limb.limb: limb.files for limb in counted},
        following,
        surer,
        factor.value if factor else 1.0,
        _by_hand(counted, facts),
        (*notes, *told, *facts.remarks),
    )


def _likely(in_sight: Estimate, seen: Sequence[SizedLimb]) -> Estimate | None:
    """What is likely in sight, by the range of each photo's own count; None where one has none."""
    if not all(math.isfinite(x.low_n) and math.isfinite(x.high_n) for x in seen):
        return None
    ends = ([getattr(x, end) for x in seen] for end in ("low_n", "high_n", "count_n"))
    return apply_factor(in_sight, range_factor(*ends))


def _by_hand(counted: Sequence[LimbCount], facts: TreeFacts) -> Mapping[str, float]:
    """Which limbs were counted by hand: by name, else all of them by what their photos show."""
    if facts.hand_limbs:
        return facts.hand_limbs
    showing: dict[float, list[str]] = {}
    for limb in counted:
        showing.setdefault(limb.count_n, []).append(limb.limb)
    names = [showing.get(seen, []) for seen, _ in facts.seen_true]
    apart = len({seen for seen, _ in facts.seen_true}) == len(names)
    if not (apart and all(len(name) == 1 for name in names)):
        return {}  # limbs of another tree, or which of several cannot be told
    return {name: true for (name,), (_, true) in zip(names, facts.seen_true, strict=True)}


def _next_limbs(
    limbs: Sequence[SizedLimb], area: Any, seen: Sequence[int], fixed: float, facts: TreeFacts
) -> tuple[tuple[str, ...], float]:
    """Names of the limbs to photograph next, and the share of the interval left then."""
    rest = tuple(i for i in range(len(limbs)) if i not in seen)
    which, share = rest[:1], math.nan
    if len(seen) > 1 and rest:
        fixed = fixed if math.isfinite(fixed) else 0.0
        which, share = limbs_to_halve(area, seen, fixed_share_frac=fixed)
        if facts.by_group:
            which = _in_groups(limbs, seen, len(which)) or which
    return tuple(limbs[i].name for i in which), share


def _more_walks(total: Estimate) -> str:
    """How many walks more would halve the interval."""
    n = total.sampled_n
    more = more_paths(n) if total.known else max(FEWEST_WALKS - n, 1)
    walks = "1 walk more" if more == 1 else f"{more} walks more"
    halves = " would about halve the interval" if total.known else ""
    return f"For a surer count: {walks}{halves}. Most trees need 3 to 14 in all."


def _surer(share: float, names: Sequence[str], factor: Factor | None) -> str:
    """What would halve the interval."""
    sides = factor is not None and factor.limbs_are == BY_SIDES
    if factor is not None and not factor.known:
        what = "See another limb from both sides, or count two" if sides else "Count another limb"
        return f"{what} by hand: one alone cannot show how sure the total is."
    if not names:
        return ""
    which = "drawn by lot" if names[0].startswith(_UNNAMED) else ", ".join(names)
    what = f"{len(names)} more limb{'s' if len(names) > 1 else ''} ({which})"
    if math.isnan(share):
        return f"For a surer count photograph {what}."
    if share <= 0.5 + 1e-9:
        return f"To about halve the interval photograph {what}."
    by_hand = "the hand counts. Count more limbs by hand."
    by_sides = "the limbs seen from both sides. Do more of them, or count some by hand."
    return (
        f"Photographing {what} would leave the interval about {share:.0%} as wide: the rest of it "
        f"comes from {by_sides if sides else by_hand}"
    )


def _all_limbs(
    counted: Sequence[LimbCount], lengths: Mapping[str, float], facts: TreeFacts
) -> tuple[list[SizedLimb], list[str]]:
    """Every limb with a thickness; what had to be filled in is said."""
    limbs = []
    for c in counted:
        typed = facts.limb_sizes.get(c.limb, LimbSize())
        base = c.base_diameter_mm if math.isnan(typed.base_diameter_mm) else typed.base_diameter_mm
        length = lengths.get(c.limb, math.nan)
        length = length if math.isnan(typed.length_mm) else typed.length_mm
        size = LimbSize(base, length, typed.group)
        limbs.append(SizedLimb(c.limb, size, c.count_n, c.low_n, c.high_n))
    seen = {limb.name for limb in limbs}
    limbs += [SizedLimb(name, size) for name, size in facts.limb_sizes.items() if name not in seen]
    if facts.limbs_n is not None and facts.limbs_n < len(limbs):
        raise BadInputError(f"limbs must be at least {len(limbs)}, got {facts.limbs_n}")
    for k in range(len(limbs), facts.limbs_n or 0):
        limbs.append(SizedLimb(f"{_UNNAMED} {k - len(seen) + 1}", LimbSize()))
    widths = [x.size.base_diameter_mm for x in limbs if math.isfinite(x.size.base_diameter_mm)]
    lack = len(limbs) - len(widths)
    if not lack:
        return limbs, []
    usual = math.sqrt(float(np.mean(np.square(widths)))) if widths else 25.0
    note = f"{lack} of {len(limbs)} limbs have no measured thickness: taken as thick as the others."
    filled = [
        x
        if math.isfinite(x.size.base_diameter_mm)
        else replace(x, size=replace(x.size, base_diameter_mm=usual))
        for x in limbs
    ]
    return filled, [note]
