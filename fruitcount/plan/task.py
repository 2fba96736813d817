"""The placed crop as a problem for the exact choice, with the grower's rules as costs."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fruitcount.plan.choose import choose_fruit
from fruitcount.plan.inputs import GrowerInputs, PlanRules
from fruitcount.plan.place import PlacedFruit
from fruitcount.plan.target import KeepTarget
from fruitcount.plan.wood import Costs, FruitingWood, split_into_sites
from fruitcount.species import Species
from fruitcount.types import FloatArray

__all__ = ["Task", "choose_kept", "make_task"]


@dataclass(frozen=True, eq=False)
class Task:
    """The problem in one unit: mm where lengths are told, else px.

    ``ordered`` is False where places or gaps are not told; then clusters alone decide.
    ``wood`` has the wide gap that spreads the fruit; ``closest`` is the gap to fall back on where
    the wide one leaves no room for the count, since the count leads.
    """

    wood: FruitingWood
    costs: Costs
    ordered: bool
    px_per_unit: float
    closest: float
    cluster: NDArray[np.int64]

    def at_closest(self) -> Task:
        """The same problem with the gap to fall back on."""
        site = _sites(self.wood.line, self.wood.at, self.cluster, self.closest, self.wood.fork)
        return replace(self, wood=replace(self.wood, gap=self.closest, site=site))


def make_task(
    placed: PlacedFruit,
    worth: FloatArray,
    cluster: NDArray[np.int64],
    species: Species,
    inputs: GrowerInputs,
    rules: PlanRules,
    target: KeepTarget,
) -> Task:
    """Set the problem in mm, or in px where no length is told.

    Parameters
    ----------
    placed : PlacedFruit
    worth : float array, one a placed fruit
    cluster : int array, one a placed fruit
    species : Species
    inputs : GrowerInputs
    rules : PlanRules
    target : KeepTarget
        Its count gives the wide gap: a share of what each fruit would have of the wood.
    """
    in_mm = math.isfinite(placed.mm_per_px)
    px_per_unit = 1.0 / placed.mm_per_px if in_mm else 1.0
    length = placed.length_px / px_per_unit
    whole = placed.wood_mm if in_mm else length
    gap = rules.gap_share_frac * whole / max(target.centre, 1.0)
    closest = min(_closest_mm(species, inputs, rules), gap) if in_mm else gap
    if inputs.pass_number == 1 and inputs.max_cut_frac > 0:
        # A limb about to be shortened is not spread out: the second pass chooses again.
        gap = closest
    ordered = placed.placed and math.isfinite(gap) and gap > 0
    at = placed.at_px / px_per_unit
    fork = placed.fork_px / px_per_unit
    site = _sites(placed.line, at, cluster, gap if ordered else math.inf, fork)
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
    return Task(wood, costs, ordered, px_per_unit, closest, cluster)


def _sites(
    line: NDArray[np.int64],
    at: FloatArray,
    cluster: NDArray[np.int64],
    gap: float,
    fork: FloatArray,
) -> NDArray[np.int64]:
    bearing = fork[np.isin(np.arange(len(fork)), line)]
    return split_into_sites(line, at, cluster, gap=gap, fork=bearing)


def _closest_mm(species: Species, inputs: GrowerInputs, rules: PlanRules) -> float:
    spacing = species.spacing_low_mm.number if inputs.spacing_mm is None else inputs.spacing_mm
    gap = rules.gap_share_frac * spacing
    if inputs.pass_number == 2 or not species.first_pass_spacing_mm.known:
        return gap
    share = rules.first_pass_gap_frac if inputs.max_cut_frac > 0 else rules.gap_share_frac
    return min(gap, share * species.first_pass_spacing_mm.number)


def choose_kept(task: Task, target: KeepTarget) -> tuple[Task, NDArray[np.bool_]]:
    """Fruit to keep: the exact choice, or by clusters where places or gaps are not told.

    Returns
    -------
    Task, bool array
        The task with the gap that was used, and the fruit kept.
    """
    if not (task.ordered and math.isfinite(target.centre)):
        most = int(target.centre) if math.isfinite(target.centre) else len(task.wood.at)
        return task, _best_of_sites(task.wood, most)
    most, fewest = int(target.centre), int(min(target.low, target.centre))
    kept = choose_fruit(task.wood, most, fewest=fewest, costs=task.costs)
    if kept.sum() < most and task.closest < task.wood.gap:
        closer = task.at_closest()
        more = choose_fruit(closer.wood, most, fewest=fewest, costs=task.costs)
        if more.sum() > kept.sum():
            return closer, more
    return task, kept


def _best_of_sites(wood: FruitingWood, most: int) -> NDArray[np.bool_]:
    """Best fruit of each site (two where pairs are allowed), then the best of those."""
    kept = np.zeros(len(wood.at), dtype=bool)
    room: dict[int, int] = {}
    for i in np.argsort(-np.nan_to_num(wood.worth, nan=-np.inf), kind="stable"):
        taken = room.get(int(wood.site[i]), 0)
        if np.isfinite(wood.worth[i]) and taken < (2 if wood.may_pair[i] else 1) and most > 0:
            kept[i], room[int(wood.site[i])], most = True, taken + 1, most - 1
    return kept
