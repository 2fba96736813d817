"""The plan for one limb: thin or leave, how many, which, and with which cuts."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from fruitcount.flags import LOPPERS_MM, Flag
from fruitcount.lines import line_length_px, point_on_line
from fruitcount.plan.choose import choose_kept, spread_out
from fruitcount.plan.cuts import CutPlace, Work, least_work
from fruitcount.plan.fruit_size import size_timing
from fruitcount.plan.inputs import GrowerInputs, PlacedFruit, place_on_wood
from fruitcount.plan.passes import carry_out, first_pass_of
from fruitcount.plan.problem import (
    ThinningProblem,
    apart_on_wood,
    thinning_problem,
    wood_thickness_frac,
)
from fruitcount.plan.result import Cut, Plan
from fruitcount.plan.target import CarryLimit, KeepTarget, keep_target
from fruitcount.plan.words import (
    explain,
    headline,
    notes_for,
    range_sentence,
    time_words,
    verdict_for,
)
from fruitcount.species.model import Species
from fruitcount.types import BoolArray, Fruitlets, Kind, Limb

CarryAsked = Callable[[Limb, GrowerInputs], CarryLimit]


def plan_limb(
    fruitlets: Fruitlets,
    limb: Limb,
    species: Species,
    inputs: GrowerInputs,
    *,
    carry_limit: CarryAsked | None = None,
    flags: Flag = Flag.NONE,
    count_range_n: tuple[float, float] = (math.nan, math.nan),
) -> Plan:
    """Plan one limb by ``inputs.plan_choice``.

    Parameters
    ----------
    fruitlets : Fruitlets
        All that was marked on the photo. Yellowing fruit is not counted as crop: it will drop.
    limb : Limb
    species : Species
    inputs : GrowerInputs
    carry_limit : callable, optional
        Fruit that a limb may bear, from the limb load. It is asked for the limb as it is, and for
        the wood that stays.
    flags : Flag
        What the photo could not tell: ``COUNT_UNKNOWN`` ends in "cannot tell", ``LIMB_UNSURE`` in
        "check limb"; neither has a number to keep.
    count_range_n : tuple of float
        Fewest and most fruit that may hang there; the range of the keep number moves with them.

    Returns
    -------
    Plan
        Without a scale and without a typed length the keep count by spacing is NaN; the fruit is
        still ranked and one of each cluster marked as the one to keep, as a proposal.
    """
    chosen = _chosen(fruitlets, limb, species, inputs, carry_limit, unknown=_unknown(flags))
    placed, problem, target, crop = chosen.placed, chosen.problem, chosen.target, chosen.crop
    kept, work = chosen.kept, chosen.work
    if problem.ordered and len(kept) > target.centre and not kept.all():
        kept, work = spread_out(problem, kept, work)
    verdict, reason = verdict_for(len(placed.index), kept, target, species, inputs, flags)
    cuts = tuple(_cut(c, placed, limb, problem, off=int((~kept).sum())) for c in work.cuts)
    timing = size_timing(crop.diameter_mm, species, inputs)
    own = Flag.NONE if math.isfinite(placed.wood_mm) else Flag.NO_SCALE
    own |= Flag.FRUIT_LATE if timing.word == "late" else Flag.NONE
    yellowing = (fruitlets.kind == Kind.YELLOWING) & (fruitlets.on_limb != 0)
    every, score = np.arange(len(fruitlets)), np.full(len(fruitlets), np.nan)
    score[placed.index] = problem.score
    plan = Plan(
        verdict=verdict,
        reason=reason,
        crop_count=len(placed.index),
        yellowing_count=int(yellowing.sum()),
        target=target,
        rule=_rule(verdict, target, kept),
        keep_count=int(kept.sum()),
        keep_mask=np.isin(every, placed.index[kept]),
        off_mask=np.isin(every, placed.index[~kept]),
        keep_score=score,
        cuts=cuts,
        pinches=_in_order(work.pinches, placed),
        work_seconds=len(work.cuts) * inputs.seconds_per_cut
        + len(work.pinches) * inputs.seconds_per_pinch,
        clipper_share_frac=sum(c.share_frac for c in cuts) if (~kept).any() else math.nan,
        timing=timing,
        flags=flags | own,
        length_mm=placed.wood_mm,
        gap_mm=_smallest_gap(problem, kept) * problem.px_per_unit * placed.mm_per_px,
        pass_number=inputs.pass_number,
        plan_choice=inputs.plan_choice,
        count_range_n=count_range_n,
        too_thick_to_cut=limb.base_diameter_mm > LOPPERS_MM and work.pinches != (),
    )
    left = carry_out(plan, fruitlets, limb, inputs)
    plan = replace(plan, final_count=_promised(plan, left, species, carry_limit))
    plan = replace(
        plan,
        answer=headline(plan),
        range_sentence=range_sentence(plan),
        time_sentence=time_words(plan.work_seconds),
        notes=notes_for(plan, species, inputs),
        explanation=explain(plan, species, inputs),
    )
    return replace(plan, first_pass=first_pass_of(plan, left[:2], limb, inputs.species))


def _unknown(flags: Flag) -> bool:
    return bool(flags & (Flag.COUNT_UNKNOWN | Flag.LIMB_UNSURE))


@dataclass(frozen=True, eq=False)
class _Chosen:
    """The crop, what is wanted of it, and the best choice before it is spread out."""

    placed: PlacedFruit
    crop: Fruitlets
    target: KeepTarget
    problem: ThinningProblem
    kept: BoolArray
    work: Work


def _chosen(
    fruitlets: Fruitlets,
    limb: Limb,
    species: Species,
    inputs: GrowerInputs,
    carry_limit: CarryAsked | None,
    *,
    unknown: bool,
) -> _Chosen:
    """Fruit that stays, and the work; all stays where nothing is known or nothing is thinned."""
    placed = place_on_wood(fruitlets, limb, inputs)
    answer = carry_limit(limb, inputs) if carry_limit is not None else None
    target = keep_target(placed.wood_mm, species, inputs, carry=answer)
    crop = fruitlets.take(placed.index)
    problem = thinning_problem(placed, limb, crop, species=species, inputs=inputs, target=target)
    n = len(crop)
    if unknown or not species.thinned or inputs.light_set:
        return _Chosen(placed, crop, target, problem, np.ones(n, dtype=bool), Work((), ()))
    most = min(int(target.centre), n) if math.isfinite(target.centre) else n
    spare = problem.costs.may_cut and target.low < most  # one fewer, but within the range
    kept = choose_kept(problem, most, most - 1 if spare and most > 1 else most)
    if n <= most:  # all may stay but what a cluster has too many of; damaged fruit too
        kept = _all_but_crowded(problem, kept)
    # a cut must be shown on the picture: without a line there is no place to show
    if problem.ordered and limb.found and n > most:
        work = least_work(problem.wood, kept, problem.costs)
    else:
        work = Work((), tuple(int(i) for i in np.flatnonzero(~kept)))
    return _Chosen(placed, crop, target, problem, kept, work)


def _all_but_crowded(problem: ThinningProblem, kept: BoolArray) -> BoolArray:
    """Every fruit whose cluster is not crowded stays, near others or damaged as it may be."""
    group = problem.group
    sizes = np.bincount(group, minlength=1)[group] if len(group) else group
    out: BoolArray = kept | (sizes == 1)
    for one in np.unique(group[sizes > 1]):
        mine = np.flatnonzero(group == one)
        if not out[mine].any():  # none stripped bare
            out[mine[int(np.argmax(np.nan_to_num(problem.wood.score[mine], nan=-1.0)))]] = True
    return out


def _promised(
    plan: Plan,
    left: tuple[Limb, Fruitlets, GrowerInputs],
    species: Species,
    carry_limit: CarryAsked | None,
) -> float:
    """Fruit at harvest: what a second pass would keep of the wood and fruit that are ``left``."""
    if _unknown(plan.flags) or math.isnan(plan.target.final) or not species.thinned:
        return math.nan
    if plan.pass_number == 2:
        return float(plan.keep_count)
    limb_left, fruit_left, second = left
    again = _chosen(fruit_left, limb_left, species, second, carry_limit, unknown=False)
    return float(again.kept.sum())


def _smallest_gap(problem: ThinningProblem, kept: BoolArray) -> float:
    """Closest two kept fruit of different clusters, along the wood; NaN with fewer than two."""
    wood, index = problem.wood, np.flatnonzero(kept)
    if len(index) < 2 or not problem.ordered or len(index) > 2000:
        return math.nan
    apart = apart_on_wood(wood, index)
    apart[problem.group[index][:, None] == problem.group[index][None, :]] = np.inf
    least = float(apart.min())
    return least if math.isfinite(least) else math.nan


def _cut(
    cut: CutPlace, placed: PlacedFruit, limb: Limb, problem: ThinningProblem, *, off: int
) -> Cut:
    at_px = cut.at * problem.px_per_unit
    on_main = cut.line == -1
    line = limb.line_px if on_main else limb.shoots[cut.line].line_px
    x_px, y_px = point_on_line(line, at_px)[0]
    whole = line_length_px(line) or 1.0
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
        diameter_mm=limb.base_diameter_mm
        * float(wood_thickness_frac(limb, np.array([cut.line]), np.array([at_px / whole]))[0]),
    )


def _rule(verdict: str, target: KeepTarget, kept: BoolArray) -> str:
    if verdict == "leave":
        return "what is there"
    if verdict == "thin" and kept.sum() < min(target.low, target.centre):
        return "room"
    return target.rule


def _in_order(pinches: tuple[int, ...], placed: PlacedFruit) -> tuple[int, ...]:
    """Fruitlets to pinch, from the base outwards."""
    fork = np.append(placed.fork_px, 0.0)[placed.line]
    order = sorted(pinches, key=lambda i: (fork[i] + placed.at_px[i], i))
    return tuple(int(placed.index[i]) for i in order)
