"""The plan for one limb: thin or leave, how many, which, and with which cuts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fruitcount.flags import Flag
from fruitcount.lines import point_on_line
from fruitcount.plan.choose import choose_fruit
from fruitcount.plan.cuts import CutPlace, Work, least_work
from fruitcount.plan.inputs import GrowerInputs, PlanRules
from fruitcount.plan.place import PlacedFruit, place_on_wood
from fruitcount.plan.result import Cut, Plan
from fruitcount.plan.target import CarryAnswer, KeepTarget, keep_target
from fruitcount.plan.timing import size_timing
from fruitcount.plan.wood import Costs, FruitingWood, split_into_sites
from fruitcount.plan.words import explain, notes_for, verdict_for
from fruitcount.plan.worth import fruit_worth, wood_thickness_frac
from fruitcount.species import Species
from fruitcount.types import FloatArray, Fruitlets, Kind, Limb

__all__ = ["plan_limb"]


def plan_limb(
    fruitlets: Fruitlets,
    limb: Limb,
    species: Species,
    inputs: GrowerInputs,
    *,
    carry_limit: CarryAnswer | None = None,
    rules: PlanRules | None = None,
    flags: Flag = Flag.NONE,
) -> Plan:
    """Plan one limb.

    Parameters
    ----------
    fruitlets : Fruitlets
        All that was marked on the photo. Yellowing fruit is not counted as crop: it will drop.
    limb : Limb
    species : Species
    inputs : GrowerInputs
    carry_limit : CarryAnswer, optional
        Fruit the wood may bear, from the limb load.
    rules : PlanRules, optional
        Our choices.
    flags : Flag
        What the photo could not tell; ``COUNT_NOT_TOLD`` ends in "cannot tell".

    Returns
    -------
    Plan
        Without a scale and without a typed length the keep count by spacing is NaN; the fruit is
        still ranked and one of each cluster marked as the one to keep, as a proposal.
    """
    rules = rules or PlanRules()
    placed = place_on_wood(fruitlets, limb, inputs)
    target = keep_target(placed.wood_mm, species, inputs, carry=carry_limit, rules=rules)
    worth = fruit_worth(
        fruitlets.take(placed.index),
        wood_thickness_frac(limb, placed.line, placed.at_frac),
        rules.weights,
    )
    verdict, reason = verdict_for(len(placed.index), target, species, inputs, flags)
    task = _task(placed, worth, fruitlets.cluster[placed.index], species, inputs, rules, target)
    may_propose = Flag.COUNT_NOT_TOLD not in flags and verdict != "leave"
    kept = _choose(task, target) if may_propose else np.ones(len(placed.index), dtype=bool)
    work = least_work(task.wood, kept, task.costs) if task.ordered else _by_hand(kept)
    n = len(fruitlets)
    cuts = tuple(_cut(c, placed, limb, task, off=int((~kept).sum())) for c in work.cuts)
    timing = size_timing(fruitlets.diameter_mm[placed.index], species, inputs)
    plan = Plan(
        verdict=verdict,
        reason=reason,
        crop_count=len(placed.index),
        yellowing_count=int(_yellowing(fruitlets).sum()),
        target=target,
        rule=_rule(verdict, target, kept),
        keep_count=int(kept.sum()),
        keep_mask=_mask(n, placed.index[kept]),
        off_mask=_mask(n, placed.index[~kept]),
        yellowing_mask=_yellowing(fruitlets),
        worth=_spread(worth, placed.index, n),
        cuts=cuts,
        pinches=_in_order(work.pinches, placed),
        work_seconds=len(cuts) * inputs.seconds_per_cut
        + len(work.pinches) * inputs.seconds_per_pinch,
        clipper_share_frac=sum(c.share_frac for c in cuts) if (~kept).any() else math.nan,
        timing=timing,
        notes=(),
        explanation=(),
        flags=flags
        | (Flag.NONE if math.isfinite(placed.wood_mm) else Flag.NO_SCALE)
        | (Flag.FRUIT_LATE if timing.word == "late" else Flag.NONE),
        length_mm=placed.wood_mm,
        gap_mm=task.wood.gap * task.px_per_unit * placed.mm_per_px,
        pass_number=inputs.pass_number,
        largest_cluster=_largest_cluster(fruitlets.cluster[placed.index]),
    )
    plan = replace(plan, explanation=explain(plan, species, inputs, rules))
    return replace(plan, notes=notes_for(plan, species, inputs))


@dataclass(frozen=True, eq=False)
class _Task:
    """The problem in one unit: mm where lengths are told, else px.

    ``ordered`` is False where places or gaps are not told; then clusters alone decide.
    """

    wood: FruitingWood
    costs: Costs
    ordered: bool
    px_per_unit: float


def _task(
    placed: PlacedFruit,
    worth: FloatArray,
    cluster: NDArray[np.int64],
    species: Species,
    inputs: GrowerInputs,
    rules: PlanRules,
    target: KeepTarget,
) -> _Task:
    in_mm = math.isfinite(placed.mm_per_px)
    px_per_unit = 1.0 / placed.mm_per_px if in_mm else 1.0
    length = placed.length_px / px_per_unit
    gap = _gap_mm(species, inputs, rules)
    if not in_mm:
        gap = rules.gap_share_frac * length / max(target.centre, 1.0)
    ordered = placed.placed and math.isfinite(gap) and gap > 0
    at = placed.at_px / px_per_unit
    fork = placed.fork_px / px_per_unit
    bearing = fork[np.isin(np.arange(len(fork)), placed.line)]
    site = split_into_sites(
        placed.line, at, cluster, gap=gap if ordered else math.inf, fork=bearing
    )
    # Pairs go by the size of the whole cluster, not of the piece that a site may be.
    grouped = np.unique(cluster, return_inverse=True)[1] if len(cluster) else cluster
    sizes = np.where(cluster >= 0, np.bincount(grouped, minlength=1)[grouped], 1)
    may_pair = (sizes >= species.pair_cluster_size.number) & inputs.allow_pairs
    wood = FruitingWood(
        line=placed.line,
        at=at,
        worth=worth,
        site=site,
        may_pair=may_pair,
        gap=gap,
        length=length,
        fork=fork,
        shoot_length=placed.shoot_length_px / px_per_unit,
    )
    # Without lengths the tip left with leaves is a twentieth of the limb (our choice).
    costs = Costs(
        cut=rules.worth_per_second * inputs.seconds_per_cut,
        pinch=rules.worth_per_second * inputs.seconds_per_pinch,
        keep_tip=inputs.keep_tip_leaves_mm if in_mm else length / 20,
        max_cut_frac=inputs.max_cut_frac,
        stub=inputs.stub_mm if in_mm else 0.0,
    )
    return _Task(wood, costs, ordered, px_per_unit)


def _gap_mm(species: Species, inputs: GrowerInputs, rules: PlanRules) -> float:
    spacing = species.spacing_low_mm.number if inputs.spacing_mm is None else inputs.spacing_mm
    gap = rules.gap_share_frac * spacing
    if inputs.pass_number == 2 or not species.first_pass_spacing_mm.told:
        return gap
    share = rules.first_pass_gap_frac if inputs.max_cut_frac > 0 else rules.gap_share_frac
    return min(gap, share * species.first_pass_spacing_mm.number)


def _choose(task: _Task, target: KeepTarget) -> NDArray[np.bool_]:
    if task.ordered and math.isfinite(target.centre):
        fewest = int(min(target.low, target.centre))
        return choose_fruit(task.wood, int(target.centre), fewest=fewest, costs=task.costs)
    most = int(target.centre) if math.isfinite(target.centre) else len(task.wood.at)
    return _best_of_sites(task.wood, most)


def _best_of_sites(wood: FruitingWood, most: int) -> NDArray[np.bool_]:
    """Best fruit of each site (two where pairs are allowed), then the best of those."""
    kept = np.zeros(len(wood.at), dtype=bool)
    room: dict[int, int] = {}
    for i in np.argsort(-np.nan_to_num(wood.worth, nan=-np.inf), kind="stable"):
        taken = room.get(int(wood.site[i]), 0)
        if np.isfinite(wood.worth[i]) and taken < (2 if wood.may_pair[i] else 1) and most > 0:
            kept[i], room[int(wood.site[i])], most = True, taken + 1, most - 1
    return kept


def _by_hand(kept: NDArray[np.bool_]) -> Work:
    return Work((), tuple(int(i) for i in np.flatnonzero(~kept)))


def _cut(cut: CutPlace, placed: PlacedFruit, limb: Limb, task: _Task, *, off: int) -> Cut:
    at_px = cut.at * task.px_per_unit
    on_main = cut.line == -1
    line = limb.line_px if on_main else limb.shoots[cut.line].line_px
    x_px, y_px = point_on_line(line, at_px)[0]
    from_base_px = at_px if on_main else at_px + float(placed.fork_px[cut.line])
    return Cut(
        shoot=cut.line,
        at_mm=at_px * placed.mm_per_px,
        at_px=at_px,
        from_base_mm=from_base_px * placed.mm_per_px,
        from_base_px=from_base_px,
        x_px=float(x_px),
        y_px=float(y_px),
        fruit=tuple(int(placed.index[i]) for i in cut.fruit),
        share_frac=len(cut.fruit) / off,
    )


def _rule(verdict: str, target: KeepTarget, kept: NDArray[np.bool_]) -> str:
    if verdict == "leave":
        return "what is there"
    if verdict == "thin" and kept.sum() < min(target.low, target.centre):
        return "room"
    return target.rule


def _yellowing(fruitlets: Fruitlets) -> NDArray[np.bool_]:
    mask: NDArray[np.bool_] = (fruitlets.kind == Kind.YELLOWING) & (fruitlets.on_limb != 0)
    return mask


def _largest_cluster(cluster: NDArray[np.int64]) -> int:
    grouped = cluster[cluster >= 0]
    return int(np.unique(grouped, return_counts=True)[1].max()) if len(grouped) else 0


def _mask(n: int, index: NDArray[np.int64]) -> NDArray[np.bool_]:
    mask = np.zeros(n, dtype=bool)
    mask[index] = True
    return mask


def _spread(values: FloatArray, index: NDArray[np.int64], n: int) -> FloatArray:
    out = np.full(n, np.nan)
    out[index] = values
    return out


def _in_order(pinches: tuple[int, ...], placed: PlacedFruit) -> tuple[int, ...]:
    """Fruitlets to pinch, from the base outwards."""
    fork = np.append(placed.fork_px, 0.0)[placed.line]
    order = sorted(pinches, key=lambda i: (fork[i] + placed.at_px[i], i))
    return tuple(int(placed.index[i]) for i in order)
