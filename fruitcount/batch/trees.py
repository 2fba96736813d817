"""Counted limbs to whole-tree estimates."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fruitcount.batch.group import LimbCount
from fruitcount.errors import BadInputError
from fruitcount.tree import Estimate, Factor, apply_factor, csa_cm2, ratio_total, simple_total

__all__ = ["TreeEstimate", "estimate_trees"]


@dataclass(frozen=True)
class TreeEstimate:
    """A tree of the batch.

    Attributes
    ----------
    tree, moment : str
    limbs : tuple of LimbCount
        Those that could be counted.
    estimate : Estimate or None
        None when it cannot be told; ``why`` then says why.
    why : str
    """

    tree: str
    moment: str
    limbs: tuple[LimbCount, ...]
    estimate: Estimate | None
    why: str = ""


def estimate_trees(
    limbs: Sequence[LimbCount],
    *,
    all_diameters_mm: Mapping[str, Mapping[str, float]] | None = None,
    limbs_n: Mapping[str, int] | None = None,
    factor: Factor | None = None,
) -> list[TreeEstimate]:
    """Estimate each tree from its counted limbs: as it is after thinning, and else before.

    Limbs whose moment is not told stand with those photographed before thinning.

    Parameters
    ----------
    limbs : sequence of LimbCount
    all_diameters_mm : mapping, optional
        Tree to limb name to base diameter, for *every* limb of the tree: gives the ratio
        estimate. Names must include the photographed limbs.
    limbs_n : mapping, optional
        Tree to number of limbs: gives the plain estimate, where diameters are not known.
    factor : Factor, optional
        Measurement to true; carried through.
    """
    groups: dict[tuple[str, bool], dict[str, LimbCount]] = {}
    # a limb with photos of both kinds counts as "before"
    for limb in sorted(limbs, key=lambda x: x.moment != "before"):
        if math.isfinite(limb.count_n):
            key = (limb.tree, limb.moment == "after")
            groups.setdefault(key, {}).setdefault(limb.limb, limb)
    out = []
    order = dict.fromkeys((limb.tree, late) for late in (False, True) for limb in limbs)
    for tree, late in (key for key in order if key in groups):
        part = [x for x in limbs if groups[tree, late].get(x.limb) is x]
        moment = max(x.moment for x in part)
        diameters = (all_diameters_mm or {}).get(tree)
        number = (limbs_n or {}).get(tree)
        try:
            estimate, why = _estimate(part, diameters, number)
        except BadInputError as error:
            estimate, why = None, str(error)
        if estimate is not None and factor is not None:
            estimate = apply_factor(estimate, factor)
        out.append(TreeEstimate(tree, moment, tuple(part), estimate, why))
    return out


def _estimate(
    part: Sequence[LimbCount], diameters: Mapping[str, float] | None, number: int | None
) -> tuple[Estimate | None, str]:
    fruit = [limb.count_n for limb in part]
    if diameters:
        missing = [limb.limb for limb in part if limb.limb not in diameters]
        if missing:
            return None, f"no diameter is given for limb {missing[0]}"
        area = csa_cm2([diameters[limb.limb] for limb in part])
        whole = csa_cm2(list(diameters.values()))
        within = [limb.var_n2 for limb in part]
        return ratio_total(fruit, area, all_area_cm2=whole, limb_var=within), ""
    if number:
        return simple_total(fruit, limbs_n=number), ""
    return None, "give the diameters of all its limbs, or at least their number"
