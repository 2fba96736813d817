"""One tree counted: all its limbs, the total with its interval, what would make it surer."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fruitcount.batch.group import LimbCount, group_limbs
from fruitcount.batch.seen_factor import as_factor_takes, seen_factor
from fruitcount.batch.tree_facts import LimbSize, SizedLimb, TreeFacts
from fruitcount.batch.tree_total import Surer, estimate_of
from fruitcount.errors import BadInputError
from fruitcount.tree import Estimate, Factor, csa_cm2

__all__ = ["TreeCount", "limbs_of_tree", "tree_count"]


@dataclass(frozen=True)
class TreeCount:
    """A counted tree, before anything is decided.

    Attributes
    ----------
    limbs : tuple of SizedLimb
        Every limb of the tree; seen fruit, hidden ones not added.
    total : Estimate
        Fruit on the tree, hidden ones added where something tells of them.
    files : mapping
        Limb name to the photos it was counted on.
    next_limbs : tuple of str
        Photograph these next; see ``surer``.
    surer : str
        What would halve the interval, in a sentence; empty when nothing is left to do.
    true_per_seen : float
        What the hand counts say, else the limbs seen from both sides; 1 without any.
    notes : tuple of str
        What had to be assumed.
    """

    limbs: tuple[SizedLimb, ...]
    total: Estimate
    files: Mapping[str, tuple[str, ...]]
    next_limbs: tuple[str, ...]
    surer: str
    true_per_seen: float
    notes: tuple[str, ...]


def limbs_of_tree(
    rows: Iterable[Mapping[str, Any]], tree: str
) -> tuple[list[LimbCount], dict[str, float]]:
    """The limbs of one tree before thinning, and their mean measured lengths in mm.

    Parameters
    ----------
    rows : iterable of mapping
        As :func:`fruitcount.batch.group.group_limbs` takes them. Photos taken after thinning are
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
        One a photo, such as :func:`fruitcount.batch.read_rows` gives.
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
    factor, told = seen_factor(facts)
    total, more = estimate_of(limbs, area, factor, facts=facts)
    names = tuple(limbs[i].name for i in more.limbs)
    files = {limb.limb: limb.files for limb in counted}
    return TreeCount(
        tuple(limbs), total, files, names, _surer(more, names, factor),
        factor.value if factor else 1.0, (*notes, *told, *facts.remarks),
    )  # fmt: skip


def _surer(more: Surer, names: Sequence[str], factor: Factor | None) -> str:
    """What would halve the interval."""
    if more.walks_n:
        walks = "1 walk more" if more.walks_n == 1 else f"{more.walks_n} walks more"
        halves = " would halve the interval" if math.isfinite(more.share_frac) else ""
        return f"For a surer count: {walks}{halves}."
    sides = factor is not None and factor.limbs_are != Factor.limbs_are
    if factor is not None and math.isnan(factor.se) and not more.walks_n:
        how = "seen from both sides, or two are counted by hand" if sides else "counted by hand"
        return f"How sure the total is can be told once another limb is {how}."
    if not names:
        return ""
    what = f"{len(names)} more limb{'s' if len(names) > 1 else ''} ({', '.join(names)})"
    if math.isnan(more.share_frac):
        return f"For a surer count photograph {what}."
    if more.share_frac <= 0.5 + 1e-9:
        return f"To halve the interval photograph {what}."
    by_hand = "the hand counts. Count more limbs by hand."
    by_sides = "the limbs seen from both sides. Do more of them, or count some by hand."
    return (
        f"Photographing {what} would leave {more.share_frac:.0%} of the interval: the rest comes "
        f"from {by_sides if sides else by_hand}"
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
        limbs.append(SizedLimb(c.limb, c.count_n, c.var_n2, size))
    seen = {limb.name for limb in limbs}
    limbs += [
        SizedLimb(name, math.nan, 0.0, size)
        for name, size in facts.limb_sizes.items()
        if name not in seen
    ]
    if facts.limbs_n is not None and facts.limbs_n < len(limbs):
        raise BadInputError(f"limbs must be at least {len(limbs)}, got {facts.limbs_n}")
    for k in range(len(limbs), facts.limbs_n or 0):
        limbs.append(SizedLimb(f"other limb {k - len(seen) + 1}", math.nan, 0.0, LimbSize()))
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
