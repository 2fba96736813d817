"""The limb and its fruit as a problem to solve: places, keep scores, clusters and costs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fruitcount.flags import LOPPERS_MM
from fruitcount.plan.inputs import RULES, GrowerInputs, PlacedFruit
from fruitcount.plan.target import KeepTarget, spacings_mm
from fruitcount.species.model import Species
from fruitcount.types import BoolArray, FloatArray, Fruitlets, IntArray, Kind, Limb

EPS = 1e-9
# A price at which no cut is made.
_NEVER = 1e6
# A cut is made so far inside the first fruit that it takes (our choice).
_CLEAR_MM = 10.0


@dataclass(frozen=True, eq=False)
class FruitingWood:
    """Fruit along a limb and its shoots. All lengths in one unit, mm or px.

    Attributes
    ----------
    line : int array, shape (N,)
        -1 on the main limb, else the shoot.
    at : float array, shape (N,)
        Distance from the base of the limb, or from the shoot's fork.
    score : float array, shape (N,)
        Larger is better to keep; NaN must come off.
    site : int array, shape (N,)
        Fruit of one site hang together (see :func:`split_into_sites`).
    may_pair : bool array, shape (N,)
        This fruit's site may keep two, whatever the gap between those two.
    gap : float
        Closest two kept fruit of different sites may be, along the wood. > 0.
    length : float
        Of the main limb.
    fork : float array, shape (S,)
        Where each shoot leaves the limb.
    shoot_length : float array, shape (S,)
    """

    line: IntArray
    at: FloatArray
    score: FloatArray
    site: IntArray
    may_pair: BoolArray
    gap: float
    length: float
    fork: FloatArray
    shoot_length: FloatArray


def apart_on_wood(wood: FruitingWood, index: IntArray) -> FloatArray:
    """Distances along the wood between some fruit; shape (N,) to (N, N)."""
    line, at = wood.line[index], wood.at[index]
    out = np.where(line >= 0, at, 0.0)
    place = np.where(line >= 0, np.append(wood.fork, 0.0)[line], at)
    apart = np.abs(place[:, None] - place[None, :]) + out[:, None] + out[None, :]
    same = line[:, None] == line[None, :]
    return np.where(same, np.abs(at[:, None] - at[None, :]), apart)


@dataclass(frozen=True)
class Costs:
    """Work in units of keep score, and the rules of a cut.

    Attributes
    ----------
    cut, pinch : float
        Score given up for one cut, for one fruit pinched.
    wood : float
        Score given up for each unit of fruiting wood that a cut takes. Larger means shorter cuts.
    keep_tip : float
        Length left beyond the last kept fruit.
    max_cut_frac : float
        Largest share of the main limb that a cut may take.
    stub : float
        Where a whole shoot is cut, from its fork.
    clear : float
        Length that a cut stays inside the first fruit that it takes, where there is room.
    too_thick : frozenset of int
        Shoots that hand tools do not cut.
    """

    cut: float = 0.0
    pinch: float = 0.0
    wood: float = 0.0
    keep_tip: float = 0.0
    max_cut_frac: float = 1.0
    stub: float = 0.0
    clear: float = 0.0
    too_thick: frozenset[int] = frozenset()

    @property
    def may_cut(self) -> bool:
        """Whether cuts are wanted at all."""
        return self.cut < _NEVER

    def outwards(self, places: FloatArray, at: float) -> float:
        """A cut at ``at`` moved as far out as it takes the same fruit; ``places`` rise."""
        first = int(np.searchsorted(places, at + EPS, side="right"))
        return max(at, float(places[first]) - self.clear) if first < len(places) else at

    def cut_of(self, shoot: int) -> float:
        """Score given up for one cut on a shoot."""
        return _NEVER if shoot in self.too_thick else self.cut


def split_into_sites(
    line: IntArray, at: FloatArray, cluster: IntArray, *, gap: float, fork: FloatArray
) -> IntArray:
    """Number the sites: clusters, cut where they are longer than the gap or span a fork.

    A row of touching fruit longer than the gap is more than one cluster for keeping: each
    gap's length of it may keep its own. Fruit not grouped (-1) is a site by itself.

    Parameters
    ----------
    line, at, cluster : arrays, shape (N,)
        See :class:`FruitingWood`; cluster numbers as in ``Fruitlets``.
    gap : float
        Longest extent of a site (not reached). Infinite leaves clusters whole.
    fork : float array
        Places on the main limb that no site may span.

    Returns
    -------
    int array, shape (N,)
    """
    site = np.full(len(at), -1, dtype=np.int64)
    started: dict[tuple[int, int], tuple[int, float]] = {}
    forks = np.sort(fork)
    for number, i in enumerate(np.lexsort((at, line))):
        key = (int(line[i]), int(cluster[i]))
        if cluster[i] >= 0 and key in started:
            number_before, start = started[key]
            inside = forks[(forks > start + EPS) & (forks < at[i] - EPS)]
            near = not np.isfinite(gap) or at[i] - start < gap - EPS
            if near and not (line[i] == -1 and len(inside)):
                site[i] = number_before
                continue
        started[key] = (number, float(at[i]))
        site[i] = number
    return site


def wood_thickness_frac(limb: Limb, line: IntArray, at_frac: FloatArray) -> FloatArray:
    """Thickness of the wood a fruit hangs on, as a share of the limb's base.

    Parameters
    ----------
    limb : Limb
        Where diameters are not told, the limb is taken to taper to half (our choice).
    line : int array, shape (N,)
        -1 on the main limb, else the shoot.
    at_frac : float array, shape (N,)
        Place along its own line, 0 to 1.
    """
    thick = limb.base_diameter_mm if limb.base_diameter_mm > 0 else float("nan")
    tip = limb.tip_diameter_mm / thick
    tip = float(np.clip(tip, 0.05, 1.0)) if np.isfinite(tip) else 0.5
    share = 1.0 - (1.0 - tip) * at_frac
    for i, shoot in enumerate(limb.shoots):
        base = shoot.base_diameter_mm / thick
        # An unmeasured shoot is taken as a third of the limb's base (our choice).
        base = float(np.clip(base, 0.02, 1.0)) if np.isfinite(base) else 1 / 3
        share = np.where(line == i, base * (1.0 - 0.5 * at_frac), share)
    return np.asarray(share, dtype=float)


def keep_score(fruitlets: Fruitlets, thickness_frac: FloatArray) -> FloatArray:
    """Keep score of each fruit, 0 to 1; NaN for damaged and yellowing fruit, which is never kept.

    Parameters
    ----------
    fruitlets : Fruitlets
    thickness_frac : float array, shape (N,)
        From :func:`wood_thickness_frac`.

    Returns
    -------
    float array, shape (N,)
        Weighted mean of the merits. What is not measured counts as middling.
    """
    size = fruitlets.diameter_mm if np.isfinite(fruitlets.diameter_mm).all() else fruitlets.r_px
    sound = (
        _or_half(fruitlets.score)
        + _or_half(fruitlets.roundness_frac)
        + _or_half(1.0 - fruitlets.yellow_frac)
    ) / 3
    weights = RULES.weights
    merits = (
        (weights.size, _spread(size)),
        (weights.sound, sound),
        (weights.seat, np.clip(thickness_frac, 0, 1)),
        (weights.light, _or_half(fruitlets.visible_frac)),
    )
    total = sum(w for w, _ in merits) or 1.0
    score = sum(w * merit for w, merit in merits) / total
    return np.where(fruitlets.kind == Kind.FRUIT, score, np.nan)


def _or_half(values: FloatArray) -> FloatArray:
    return np.where(np.isfinite(values), np.clip(values, 0, 1), 0.5)


def _spread(size: FloatArray) -> FloatArray:
    """Smallest 0, largest 1; all 0.5 where sizes are equal or not told."""
    known = size[np.isfinite(size)]
    if len(known) < 2 or np.ptp(known) == 0:
        return np.full(len(size), 0.5)
    return np.where(np.isfinite(size), (size - known.min()) / np.ptp(known), 0.5)


@dataclass(frozen=True, eq=False)
class ThinningProblem:
    """The problem in one unit: mm where lengths are known, else px.

    ``ordered`` is False where places or gaps are not known; then clusters alone decide.
    ``group`` numbers the clusters, a long row of touching fruit being more than one; ``score`` is
    of every fruit, ``wood.score`` only of those that may stay.
    """

    wood: FruitingWood
    costs: Costs
    ordered: bool
    px_per_unit: float
    group: IntArray
    score: FloatArray


def thinning_problem(
    placed: PlacedFruit,
    limb: Limb,
    fruitlets: Fruitlets,
    *,
    species: Species,
    inputs: GrowerInputs,
    target: KeepTarget,
) -> ThinningProblem:
    """Set the problem in mm, or in px where no length is known.

    Parameters
    ----------
    placed : PlacedFruit
    limb : Limb
    fruitlets : Fruitlets
        The crop only, one a placed fruit.
    species : Species
    inputs : GrowerInputs
    target : KeepTarget
        Gives the gap where no length is known: a share of what each fruit would have.
    """
    in_mm = math.isfinite(placed.mm_per_px)
    px_per_unit = 1.0 / placed.mm_per_px if in_mm else 1.0
    length = placed.length_px / px_per_unit
    even = length / max(target.centre, 1.0)
    row = species.spacing_low_mm.number if in_mm else even
    gap = RULES.gap_share_frac * row
    ordered = placed.placed and math.isfinite(gap) and gap > 0
    at, fork = placed.at_px / px_per_unit, placed.fork_px / px_per_unit
    thickness = wood_thickness_frac(limb, placed.line, placed.at_frac)
    score = keep_score(fruitlets, thickness)
    bearing = fork[np.isin(np.arange(len(fork)), placed.line)]
    group = split_into_sites(
        placed.line, at, fruitlets.cluster, gap=row if ordered else math.inf, fork=fork[:0]
    )
    group = _whole_where_forked(group, fruitlets.cluster, placed.line)
    sizes = np.bincount(group, minlength=1)[group] if len(group) else group
    pairs = (sizes >= species.pair_cluster_size.number) & inputs.allow_pairs
    wood = FruitingWood(
        line=placed.line,
        at=at,
        score=_candidates(score, group, pairs) if ordered else score,
        site=split_into_sites(placed.line, at, group, gap=gap, fork=bearing) if ordered else group,
        may_pair=pairs,
        gap=gap,
        length=length,
        fork=fork,
        shoot_length=placed.shoot_length_px / px_per_unit,
    )
    whole = placed.wood_mm if in_mm else length
    even = whole / max(target.final, 1.0)
    # Half of the crop, rounded down, but two of three; one grows on what the longest cut leaves.
    half = max(target.final // 2, 2.0) if target.final >= 3 else 0.0
    stays = half * (spacings_mm(species, inputs)[1] if in_mm else even)
    costs = _costs(wood, limb, inputs, even=even, stays=stays, in_mm=in_mm)
    return ThinningProblem(wood, costs, ordered, px_per_unit, group, score)


def _costs(
    wood: FruitingWood, limb: Limb, inputs: GrowerInputs, *, even: float, stays: float, in_mm: bool
) -> Costs:
    """Work as score. The full crop is pinched, and so is the second pass: its limb stays whole.

    No cut on the main limb leaves less than ``stays``, the wood that half of the crop wants.
    """
    bearing = np.isin(np.arange(len(wood.fork)), wood.line)
    order = np.argsort(wood.fork)
    below = np.cumsum(np.where(bearing, wood.shoot_length, 0.0)[order])
    enough = min([stays, *np.maximum(wood.fork[order], stays - below)])
    most = min(inputs.max_cut_frac, _hand_tool_frac(limb), max(1 - enough / wood.length, 0.0))
    price = RULES.score_per_second * RULES.seconds_per_lost_fruit
    return Costs(
        cut=RULES.score_per_second * inputs.seconds_per_cut if inputs.shortens else _NEVER,
        pinch=RULES.score_per_second * inputs.seconds_per_pinch,
        wood=price / even if inputs.shortens and even > 0 else 0.0,
        # Without lengths the tip left with leaves is a twentieth of the limb (our choice).
        keep_tip=inputs.keep_tip_leaves_mm if in_mm else wood.length / 20,
        max_cut_frac=most,
        stub=inputs.stub_mm if in_mm else 0.0,
        clear=_CLEAR_MM if in_mm else wood.length / 60,
        too_thick=frozenset(_thick_shoots(limb)),
    )


def _thick_shoots(limb: Limb) -> list[int]:
    number = np.arange(len(limb.shoots))
    share = wood_thickness_frac(limb, number, np.zeros(len(number)))
    return [int(i) for i in number[share * limb.base_diameter_mm > LOPPERS_MM]]


def _hand_tool_frac(limb: Limb) -> float:
    """Outer share of the limb that is thin enough for loppers; 1 where thickness is not known."""
    if not limb.base_diameter_mm > LOPPERS_MM:
        return 1.0
    share = wood_thickness_frac(limb, np.full(101, -1), np.linspace(0, 1, 101))
    return float(np.mean(share * limb.base_diameter_mm <= LOPPERS_MM))


def _whole_where_forked(group: IntArray, cluster: IntArray, line: IntArray) -> IntArray:
    """One group for a cluster that hangs about a fork, on limb and shoot both."""
    out = group.copy()
    for one in np.unique(cluster[cluster >= 0]):
        mine = cluster == one
        if len(np.unique(line[mine])) > 1:
            out[mine] = out[mine][0]
    return out


def _candidates(score: FloatArray, group: IntArray, pairs: BoolArray) -> FloatArray:
    """Scores with NaN for fruit of a cluster that its rule takes off.

    Of a cluster one stays, its best, or its two best where pairs are allowed; the second is
    marked down so that no other cluster is stripped bare for it.
    """
    out = score.copy()
    for one in np.flatnonzero(np.bincount(group, minlength=1) > 1):
        mine = np.flatnonzero(group == one)
        best = mine[np.argsort(-np.nan_to_num(score[mine], nan=-np.inf), kind="stable")]
        if pairs[mine[0]]:
            out[best[2:]] = np.nan
            out[best[1]] -= 1.0
        else:
            out[best[1:]] = np.nan
    return out
