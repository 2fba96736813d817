"""The least-work way to bring off what is not kept: clipper cuts and fruit pinched by hand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitcount.plan.problem import EPS, Costs, FruitingWood
from fruitcount.types import BoolArray, FloatArray


@dataclass(frozen=True)
class CutPlace:
    """A cut: on which line, how far from its base (or fork), and the fruit it brings off."""

    line: int
    at: float
    fruit: tuple[int, ...]


@dataclass(frozen=True)
class Work:
    """Cuts, then the fruit pinched one by one, and the length of bearing wood that goes."""

    cuts: tuple[CutPlace, ...]
    pinches: tuple[int, ...]
    wood_lost: float = 0.0


def work_cost(work: Work, costs: Costs) -> float:
    """What the work and the lost wood cost, in keep score."""
    work_done = costs.cut * len(work.cuts) + costs.pinch * len(work.pinches)
    return work_done + costs.wood * work.wood_lost


def least_work(wood: FruitingWood, kept: BoolArray, costs: Costs) -> Work:
    """Cheapest cuts and pinches that leave exactly the kept fruit.

    A cut never goes below the last kept fruit: it leaves ``keep_tip`` of wood with leaves
    beyond it. The limb is cut as far out as the cut takes the same fruit. A shoot with nothing
    kept goes whole, leaving the grower's stub. A cut is made only where it is cheaper than
    pinching all it would bring off.

    Parameters
    ----------
    wood : FruitingWood
    kept : bool array, shape (N,)
    costs : Costs

    Returns
    -------
    Work
        Each fruit not kept is in exactly one cut or pinch.
    """
    off = ~kept
    place = np.where(wood.line == -1, wood.at, 0.0)
    on_shoot = wood.line >= 0
    place[on_shoot] = wood.fork[wood.line[on_shoot]]
    extent = float(place[kept].max()) if kept.any() else 0.0
    least = max(extent + costs.keep_tip, (1.0 - costs.max_cut_frac) * wood.length)
    cut_at = costs.outwards(np.sort(place), least)
    by_hand = _below(wood, off, place, np.inf, costs)
    beyond = np.flatnonzero(off & (place > least + EPS))
    if cut_at < wood.length and len(beyond):
        below = _below(wood, off, place, least, costs)
        bearing = np.isin(np.arange(len(wood.fork)), wood.line) & (wood.fork > least + EPS)
        lost = wood.length - cut_at + float(wood.shoot_length[bearing].sum())
        with_cut = Work(
            (CutPlace(-1, cut_at, tuple(int(i) for i in beyond)), *below.cuts),
            below.pinches,
            below.wood_lost + lost,
        )
        if work_cost(with_cut, costs) < work_cost(by_hand, costs) - EPS:
            return with_cut
    return by_hand


def _below(
    wood: FruitingWood, off: BoolArray, place: FloatArray, up_to: float, costs: Costs
) -> Work:
    """Work on everything up to a place on the main limb, one shoot at a time."""
    mine = off & (place <= up_to + EPS)
    pinches = [int(i) for i in np.flatnonzero(mine & (wood.line == -1))]
    cuts: list[CutPlace] = []
    lost = 0.0
    for shoot in np.unique(wood.line[mine & (wood.line >= 0)]):
        on_it = wood.line == shoot
        kept_at = wood.at[on_it & ~off]
        length = float(wood.shoot_length[shoot])
        at = float(kept_at.max()) + costs.keep_tip if len(kept_at) else min(costs.stub, length)
        # A whole shoot goes with every fruit on it, also one that seems to hang in the stub.
        gone = off & on_it & ((wood.at > at + EPS) if len(kept_at) else True)
        by_hand = int((off & on_it).sum())
        taken = length - at if len(kept_at) else length
        with_cut = (
            costs.cut_of(int(shoot))
            + costs.pinch * (by_hand - int(gone.sum()))
            + costs.wood * taken
        )
        if (
            gone.any()
            and (at < length or not len(kept_at))
            and (with_cut < costs.pinch * by_hand - EPS)
        ):
            lost += taken
            cuts.append(CutPlace(int(shoot), at, tuple(int(i) for i in np.flatnonzero(gone))))
            pinches.extend(int(i) for i in np.flatnonzero(off & on_it & ~gone))
        else:
            pinches.extend(int(i) for i in np.flatnonzero(off & on_it))
    return Work(tuple(cuts), tuple(sorted(pinches)), lost)
