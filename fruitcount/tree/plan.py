"""One tree's plan from its counted limbs: estimate, target, each limb's share and its cuts."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from fruitcount.load.model import harvest_mass_g
from fruitcount.pipeline import Result, decide
from fruitcount.plan.fruit_size import size_code
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.words import TITLES
from fruitcount.species.loader import load_species
from fruitcount.tree.checkpoint import measurement_in
from fruitcount.tree.count import TreeCount, limbs_of_tree, tree_count
from fruitcount.tree.estimate import csa_cm2
from fruitcount.tree.facts import LimbSize, TreeFacts
from fruitcount.tree.sheet import LimbFacts, LimbShare, TreeSheet, tree_sheet, with_limbs
from fruitcount.tree.target import target_of
from fruitcount.types import Measurement

__all__ = ["LimbSize", "TreeFacts", "TreePlan", "limb_inputs", "limbs_of_tree", "plan_tree"]


@dataclass(frozen=True, eq=False)
class TreePlan:
    """One tree's plan.

    Attributes
    ----------
    tree : str
    sheet : TreeSheet
        Estimate, target and each limb's share.
    count : TreeCount
        What it rests on.
    fruit_g : float
        Weight taken for one ripe fruit.
    size_class : str
        Trade size code of the wanted ripe size; empty where the species has none.
    notes : tuple of str
        What had to be assumed, for the count and after.
    results : mapping
        Limb name to its measurement, decided with the tree's share; limbs whose fruit are not
        known one by one have none.
    """

    tree: str
    sheet: TreeSheet
    count: TreeCount
    fruit_g: float
    size_class: str
    notes: tuple[str, ...] = ()
    results: Mapping[str, Result] = field(default_factory=dict)


def plan_tree(
    rows: Sequence[Mapping[str, Any]],
    tree: str,
    facts: TreeFacts,
    *,
    inputs: GrowerInputs | None = None,
    measured: Callable[[Mapping[str, Any]], Measurement | None] = measurement_in,
) -> TreePlan:
    """Estimate a tree from its counted photos, set its target and share it over the limbs.

    The target comes from the crates where they are given, else from the trunk, else from the
    spacing over all limbs. Where a limb's own spacing or wood allows fewer than its share, the
    lower number stands; a limb not photographed gets no more than limbs like it may keep.

    Parameters
    ----------
    rows : sequence of mapping
        One a photo, such as :func:`fruitcount.tree.read_rows` gives.
    tree : str
        Its name in the rows.
    facts : TreeFacts
    inputs : GrowerInputs, optional
        For each limb's own plan, default what ``facts`` say and the choice of plan that its photo
        was counted with; its share is put in.
    measured : callable, optional
        A row's photo as measured, or None; by default what the row holds as ``measurement``.

    Raises
    ------
    BadInputError
        When no limb of the tree was counted, or nothing tells a target.
    """
    species = load_species(facts.species)
    count = tree_count(rows, tree, facts)
    limbs, area = count.limbs, csa_cm2([x.size.base_diameter_mm for x in count.limbs])
    fruit_g = harvest_mass_g(species, facts.harvest_diameter_mm)
    target, remarks = target_of(limbs, area, species, facts, fruit_g)
    times, by_hand = count.true_per_seen, count.hand_limbs
    sheet = tree_sheet(
        [
            LimbFacts(x.name, float(a), by_hand.get(x.name, x.count_n * times))
            for x, a in zip(limbs, area, strict=True)
        ],
        count.total,
        target=target,
        pace_n_per_min=facts.pace_n_per_min,
        fruit_g=fruit_g,
    )
    wanted = facts.harvest_diameter_mm or species.harvest_diameter_mm.number
    code = size_code(species, wanted) if species.size_codes else ""
    results: dict[str, Result] = {}
    own: dict[str, int | None] = {}
    by_file = {str(r["file"]): r for r in rows if str(r.get("tree") or "") == tree}
    for limb in sheet.limbs:
        mine = [by_file[file] for file in count.files.get(limb.name, ())]
        choice = next((str(r["plan_choice"]) for r in mine if r.get("plan_choice")), "quick")
        asked = inputs or replace(limb_inputs(facts), plan_choice=choice)
        share = replace(asked, limb_target=limb.keep_n / times)
        own[limb.name] = min(
            (int(r["keep_n"]) for r in mine if r.get("keep_n") is not None), default=None
        )
        known = next((m for row in mine if (m := measured(row)) is not None), None)
        if known is not None:
            results[limb.name] = Result(known, decide(known, share))
    sheet, said = _as_limbs_allow(sheet, results, own, times, facts=facts, fruit_g=fruit_g)
    notes = (*count.notes, *remarks, *said)
    return TreePlan(tree, sheet, count, fruit_g, code, notes, results)


def limb_inputs(facts: TreeFacts) -> GrowerInputs:
    """What the keeper says of the tree, for the plan of each limb."""
    return GrowerInputs(
        facts.species,
        ripening_month=facts.ripening_month,
        southern=facts.southern,
        spacing_mm=facts.spacing_mm,
        harvest_diameter_mm=facts.harvest_diameter_mm,
    )


def _as_limbs_allow(
    sheet: TreeSheet,
    results: Mapping[str, Result],
    own: Mapping[str, int | None],
    true_per_seen: float,
    *,
    facts: TreeFacts,
    fruit_g: float,
) -> tuple[TreeSheet, list[str]]:
    """Where spacing or the wood allows fewer than the share, the lower number stands."""
    limbs, lowered, unchecked = [], [], []
    for limb in sheet.limbs:
        keep, result = limb.keep_n, results.get(limb.name)
        if result is not None and result.decision.plan.number_known:
            keep = min(keep, round(result.decision.plan.keep_count * true_per_seen))
        elif (most := own.get(limb.name)) is not None:
            keep = min(keep, round(most * true_per_seen))
        elif limb.counted:
            unchecked.append(limb.name)
        if keep < limb.keep_n:
            lowered.append(limb.name)
        limbs.append(replace(limb, keep_n=keep))
    limbs, capped = _like_the_others(limbs, lowered)
    said = []
    chosen = sorted({TITLES[r.decision.plan.plan_choice] for r in results.values()})
    if chosen:
        said.append(f"Plan, {' or, as chosen for each limb, '.join(chosen)}.")
    if capped:
        said.append(
            f"Limb {', '.join(capped)}: lowered to what limbs like it may keep; load not checked."
        )
    if lowered:
        said.append(
            f"On limb {', '.join(lowered)} the spacing or the wood allows fewer than the share of "
            "the target: the lower number stands."
        )
    if unchecked:
        said.append(
            f"Limb {', '.join(unchecked)}: only its share of the target is known, its own spacing "
            "and wood were not checked."
        )
    if results and true_per_seen != 1:
        said.append("Cuts and pinches are of the fruit seen on the photo; Now, Keep and Off "
                    "include those hidden.")  # fmt: skip
    pace = facts.pace_n_per_min
    return with_limbs(sheet, limbs, pace_n_per_min=pace, fruit_g=fruit_g), said


def _like_the_others(
    limbs: Sequence[LimbShare], lowered: Sequence[str]
) -> tuple[list[LimbShare], list[str]]:
    """Where all limbs to thin were lowered, those not photographed keep no more than like them."""
    alike = [x for x in limbs if x.counted and x.keep_n < x.whole_n]
    if not alike or any(x.name not in lowered for x in alike):
        return list(limbs), []
    per_cm2 = max(x.keep_n / x.area_cm2 for x in alike)
    out = [
        x if x.counted else replace(x, keep_n=min(x.keep_n, max(int(per_cm2 * x.area_cm2), 1)))
        for x in limbs
    ]
    return out, [x.name for x, y in zip(limbs, out, strict=True) if y.keep_n < x.keep_n]
