"""The plan for one limb: thin or leave, how many, which, and with which cuts."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fruitcount.flags import Flag
from fruitcount.lines import point_on_line
from fruitcount.plan.cuts import CutPlace, Work, least_work
from fruitcount.plan.inputs import GrowerInputs, PlanRules
from fruitcount.plan.place import PlacedFruit, place_on_wood
from fruitcount.plan.result import Cut, Plan
from fruitcount.plan.target import CarryAnswer, KeepTarget, keep_target
from fruitcount.plan.task import Task, choose_kept, make_task
from fruitcount.plan.timing import Timing, size_timing
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
        What the photo could not tell; ``COUNT_UNKNOWN`` ends in "cannot tell".

    Returns
    -------
    Plan
        Without a scale and without a typed length the keep count by spacing is NaN; the fruit is
        still ranked and one of each cluster marked as the one to keep, as a proposal.
    """
    rules = rules or PlanRules()
    placed = place_on_wood(fruitlets, limb, inputs)
    target = keep_target(placed.wood_mm, species, inputs, carry=carry_limit, rules=rules)
    thickness = wood_thickness_frac(limb, placed.line, placed.at_frac)
    worth = fruit_worth(fruitlets.take(placed.index), thickness, rules.weights)
    verdict, reason = verdict_for(len(placed.index), target, species, inputs, flags)
    cluster = fruitlets.cluster[placed.index]
    task = make_task(placed, worth, cluster, species, inputs, rules, target)
    may_propose = Flag.COUNT_UNKNOWN not in flags and verdict != "leave"
    kept = np.ones(len(placed.index), dtype=bool)
    if may_propose:
        task, kept = choose_kept(task, target)
    # a cut must be shown on the picture: without a line there is no place to show
    cuttable = task.ordered and limb.found
    work = least_work(task.wood, kept, task.costs) if cuttable else _by_hand(kept)
    cuts = tuple(_cut(c, placed, limb, task, off=int((~kept).sum())) for c in work.cuts)
    timing = size_timing(fruitlets.diameter_mm[placed.index], species, inputs)
    yellowing = (fruitlets.kind == Kind.YELLOWING) & (fruitlets.on_limb != 0)
    n = len(fruitlets)
    plan = Plan(
        verdict=verdict,
        reason=reason,
        crop_count=len(placed.index),
        yellowing_count=int(yellowing.sum()),
        target=target,
        rule=_rule(verdict, target, kept),
        keep_count=int(kept.sum()),
        keep_mask=_mask(n, placed.index[kept]),
        off_mask=_mask(n, placed.index[~kept]),
        yellowing_mask=yellowing,
        worth=_spread(worth, placed.index, n),
        cuts=cuts,
        pinches=_in_order(work.pinches, placed),
        work_seconds=_seconds(work, inputs),
        clipper_share_frac=sum(c.share_frac for c in cuts) if (~kept).any() else math.nan,
        timing=timing,
        flags=flags | _own_flags(placed, timing),
        length_mm=placed.wood_mm,
        gap_mm=task.wood.gap * task.px_per_unit * placed.mm_per_px,
        pass_number=inputs.pass_number,
        largest_cluster=_largest_cluster(cluster),
    )
    plan = replace(plan, explanation=explain(plan, species, inputs, rules))
    return replace(plan, notes=notes_for(plan, species, inputs))


def _seconds(work: Work, inputs: GrowerInputs) -> float:
    return len(work.cuts) * inputs.seconds_per_cut + len(work.pinches) * inputs.seconds_per_pinch


def _own_flags(placed: PlacedFruit, timing: Timing) -> Flag:
    no_scale = Flag.NONE if math.isfinite(placed.wood_mm) else Flag.NO_SCALE
    return no_scale | (Flag.FRUIT_LATE if timing.word == "late" else Flag.NONE)


def _by_hand(kept: NDArray[np.bool_]) -> Work:
    return Work((), tuple(int(i) for i in np.flatnonzero(~kept)))


def _cut(cut: CutPlace, placed: PlacedFruit, limb: Limb, task: Task, *, off: int) -> Cut:
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
