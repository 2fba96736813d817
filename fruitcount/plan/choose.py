"""Which fruit to keep: the exact best choice along the limb and its shoots.

Dynamic programming over places in order from the base. What has been decided so far matters to
the rest only by how many are kept and by how far outwards they block: a kept fruit on the limb
at ``p`` blocks up to ``p + gap``; a kept fruit on a shoot, ``d`` from its fork at ``f``, blocks
like a fruit at ``f - d`` for all wood beyond the fork, and must itself be clear as if it hung at
``f + d``. So a tree of one limb with shoots is solved as a line with two-faced places.

The work of cuts and pinches is counted in the same sum, so that the least-work choice and the
best fruit are weighed together and not one after the other.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from fruitcount.plan.cuts import Work
from fruitcount.plan.problem import EPS, Costs, FruitingWood, ThinningProblem, apart_on_wood
from fruitcount.types import BoolArray, FloatArray

_NONE = -np.inf
# Above this the search for the widest spread takes too long.
_LARGEST_SPREAD = 400


@dataclass(frozen=True)
class _Item:
    start: float
    end: float
    score: float
    fruit: tuple[int, ...]


@dataclass(frozen=True)
class _Option:
    """One way to use a shoot: nearest kept fruit at ``near``, ``value`` net of its work."""

    near: float
    value: float
    fruit: tuple[int, ...]


@dataclass(eq=False)
class _State:
    blocks: float
    value: FloatArray
    tag: NDArray[np.int32]


@dataclass
class _Nodes:
    """What was chosen, for walking back: fruit, and the node before for every count."""

    fruit: list[tuple[int, ...]] = field(default_factory=list)
    before: list[NDArray[np.int32]] = field(default_factory=list)

    def extend(self, state: _State, fruit: tuple[int, ...], value: float) -> _State:
        """The state after also keeping ``fruit``; its blocking is set by the caller."""
        k = len(fruit)
        moved = np.full_like(state.value, _NONE)
        if k < len(moved):
            moved[k:] = state.value[: len(moved) - k] + value
        self.fruit.append(fruit)
        self.before.append(state.tag)
        return _State(0.0, moved, np.full_like(state.tag, len(self.fruit) - 1))

    def walk(self, node: int, count: int) -> list[int]:
        out: list[int] = []
        while node >= 0:
            out.extend(self.fruit[node])
            count_before = count - len(self.fruit[node])
            node, count = int(self.before[node][count_before]), count_before
        return out


def choose_fruit(
    wood: FruitingWood, most: int, *, fewest: int | None = None, costs: Costs | None = None
) -> BoolArray:
    """Keep ``fewest`` to ``most`` fruit at the greatest total score less work.

    Parameters
    ----------
    wood : FruitingWood
        The fruit that is there.
    most : int
        Most to keep.
    fewest : int, optional
        Fewest to keep; ``most`` by default. Each fruit kept adds score, so fewer are kept only
        where the work saved is score more. If gaps and clusters leave no room even for this
        many, the largest number that fits is kept.
    costs : Costs, optional
        Work to weigh against score. Without it work is free and only score counts.

    Returns
    -------
    bool array, shape (N,)
        True is kept. The sum of score, less the least work of reaching it, is the greatest
        there is (checked against brute force and against HiGHS).
    """
    costs = costs or Costs()
    kept = np.zeros(len(wood.at), dtype=bool)
    most = min(most, int(np.isfinite(wood.score).sum()))
    if most <= 0:
        return kept
    nodes = _Nodes()
    best, tag = _solve(wood, most, costs, nodes)
    room = int(np.flatnonzero(best > _NONE).max())
    least = min(most if fewest is None else fewest, room)
    count = least + int(np.argmax(best[least : room + 1]))
    kept[nodes.walk(int(tag[count]), count)] = True
    return kept


def _solve(
    wood: FruitingWood, most: int, costs: Costs, nodes: _Nodes
) -> tuple[FloatArray, NDArray[np.int32]]:
    """Best value for every count, and the last node of the choice that reaches it."""
    tail = _Tail(wood, costs)
    best = np.full(most + 1, _NONE)
    tag = np.full(most + 1, -1, dtype=np.int32)
    free = _State(_NONE, best.copy(), tag.copy())
    free.value[0] = 0.0
    best[0] = -tail.cost(0.0)
    live: list[_State] = []
    for place, event in _events(wood, costs):
        live = _absorb(free, live, place - wood.gap)
        if isinstance(event, _Item):
            new = nodes.extend(free, event.fruit, event.score + costs.pinch * len(event.fruit))
            new.blocks = event.end
            fresh = [new]
            extent = event.end
        else:
            fresh = _use_shoot([free, *live], place, event, wood.gap, nodes)
            extent = place
        for state in fresh:
            _better(best, tag, state.value - tail.cost(extent), state.tag)
        live = [*live, *fresh]
    return best, tag


def _better(
    value: FloatArray, tag: NDArray[np.int32], other: FloatArray, other_tag: NDArray[np.int32]
) -> None:
    wins = other > value
    if wins.any():
        np.copyto(value, other, where=wins)
        np.copyto(tag, other_tag, where=wins)


def _absorb(free: _State, live: list[_State], up_to: float) -> list[_State]:
    """Merge states that block nothing from here on into ``free``; return the others."""
    rest = []
    for state in live:
        if state.blocks <= up_to + EPS:
            # A new array: nodes hold the old tags for walking back.
            free.tag = free.tag.copy()
            _better(free.value, free.tag, state.value, state.tag)
        else:
            rest.append(state)
    return rest


def _use_shoot(
    states: list[_State], fork: float, options: list[_Option], gap: float, nodes: _Nodes
) -> list[_State]:
    """All states after using the shoot at ``fork`` in each way, one a blocking distance."""
    merged: dict[float, _State] = {}
    for state in states:
        for option in options:
            if fork + option.near - state.blocks < gap - EPS:
                continue
            new = nodes.extend(state, option.fruit, option.value)
            new.blocks = max(state.blocks, fork - min(option.near, gap))
            if new.blocks in merged:
                same = merged[new.blocks]
                _better(same.value, same.tag, new.value, new.tag)
            else:
                merged[new.blocks] = new
    return list(merged.values())


def _events(wood: FruitingWood, costs: Costs) -> list[tuple[float, _Item | list[_Option]]]:
    """Items of the limb and usable shoots, from the base outwards."""
    out: list[tuple[float, int, _Item | list[_Option]]] = []
    for item in _items(wood, -1):
        out.append((item.start, 1, item))
    for shoot, fork in enumerate(wood.fork):
        options = _shoot_options(wood, shoot, costs)
        if options:
            out.append((float(fork), 0, options))
    out.sort(key=lambda event: event[:2])
    return [(place, event) for place, _, event in out]


def _items(wood: FruitingWood, line: int) -> list[_Item]:
    """Single fruit, and allowed pairs, on one line, by place of the nearer fruit."""
    mine = np.flatnonzero((wood.line == line) & np.isfinite(wood.score))
    mine = mine[np.argsort(wood.at[mine], kind="stable")]
    at, score = wood.at, wood.score
    items = [_Item(float(at[i]), float(at[i]), float(score[i]), (int(i),)) for i in mine]
    if wood.may_pair[mine].any():
        by_site: dict[int, list[int]] = {}
        for i in mine[wood.may_pair[mine]]:
            by_site.setdefault(int(wood.site[i]), []).append(int(i))
        for members in by_site.values():
            for a, i in enumerate(members):
                for j in members[a + 1 :]:
                    pair = _Item(float(at[i]), float(at[j]), float(score[i] + score[j]), (i, j))
                    items.append(pair)
        items.sort(key=lambda item: item.start)
    return items


class _Tail:
    """Work still to pay when nothing is kept beyond a place on the main limb."""

    def __init__(self, wood: FruitingWood, costs: Costs) -> None:
        self.costs = costs
        self.length = wood.length
        self.at = np.sort(wood.at[wood.line == -1])
        order = np.argsort(wood.fork, kind="stable")
        counts = np.array([int((wood.line == s).sum()) for s in order], dtype=float)
        self.fork = wood.fork[order]
        bearing = np.where(counts > 0, wood.shoot_length[order], 0.0)
        whole_shoot = np.array([costs.cut_of(int(s)) for s in order]) + costs.wood * bearing
        clear = np.where(counts > 0, np.minimum(whole_shoot, costs.pinch * counts), 0.0)
        self.clear = np.concatenate([[0.0], np.cumsum(clear)])
        self.shoots_up_to = np.concatenate([[0.0], np.cumsum(bearing)])
        self.from_place = (1.0 - costs.max_cut_frac) * wood.length
        self.whole = self._by_hand(np.inf)
        self.places = np.sort(np.concatenate([self.at, self.fork[counts > 0]]))

    def _by_hand(self, up_to: float) -> float:
        """Work up to a place if nothing kept there saved any."""
        fruit = bisect_right(self.at, up_to + EPS)
        shoots = bisect_right(self.fork, up_to + EPS)
        return self.costs.pinch * fruit + float(self.clear[shoots])

    def cost(self, extent: float) -> float:
        """Least work with the outermost kept fruit (or fork of a used shoot) at ``extent``."""
        whole = self.whole
        least = max(extent + self.costs.keep_tip, self.from_place)
        cut_at = self.costs.outwards(self.places, least)
        if cut_at >= self.length:
            return whole
        shoots = self.shoots_up_to[-1] - self.shoots_up_to[bisect_right(self.fork, least + EPS)]
        lost = self.length - cut_at + float(shoots)
        return min(whole, self._by_hand(least) + self.costs.cut + self.costs.wood * lost)


def _shoot_options(wood: FruitingWood, shoot: int, costs: Costs) -> list[_Option]:
    """Best use of a shoot for every count and nearest kept fruit; beaten ones left out."""
    items = _items(wood, shoot)
    if not items:
        return []
    at = np.sort(wood.at[wood.line == shoot])
    length = float(wood.shoot_length[shoot])
    costs = replace(costs, cut=costs.cut_of(shoot))
    clear = min(costs.cut + costs.wood * length, costs.pinch * len(at))
    starts = [item.start for item in items]
    # best_after[i][k]: best chain of k fruit among items i.. as (value, fruit).
    best_after: list[dict[int, tuple[float, tuple[int, ...]]]] = [{} for _ in range(len(items) + 1)]
    options: list[_Option] = []
    for i in range(len(items) - 1, -1, -1):
        item = items[i]
        score = item.score + costs.pinch * len(item.fruit)
        last = -_shoot_work(at, item.end, length, costs)
        chains = {len(item.fruit): (score + last, item.fruit)}
        after = best_after[bisect_left(starts, item.end + wood.gap - EPS)]
        for k, (value, fruit) in after.items():
            count = k + len(item.fruit)
            if count not in chains or value + score > chains[count][0]:
                chains[count] = (value + score, item.fruit + fruit)
        best_after[i] = dict(best_after[i + 1])
        for k, chain in chains.items():
            options.append(_Option(item.start, chain[0] + clear, chain[1]))
            if k not in best_after[i] or chain[0] > best_after[i][k][0]:
                best_after[i][k] = chain
    return _unbeaten(options, wood.gap)


def _shoot_work(at: FloatArray, extent: float, length: float, costs: Costs) -> float:
    """Least work on a used shoot if every fruit that stays on it were pinched."""
    by_hand = costs.pinch * len(at)
    cut_at = extent + costs.keep_tip
    if cut_at >= length:
        return by_hand
    cut = costs.cut + costs.wood * (length - cut_at)
    return min(by_hand, cut + costs.pinch * bisect_right(at, cut_at + EPS))


def _unbeaten(options: list[_Option], gap: float) -> list[_Option]:
    """Leave out options beaten by one of the same count that blocks no more."""
    out: list[_Option] = []
    best: dict[int, float] = {}
    for option in sorted(options, key=lambda o: (-min(o.near, gap), -o.value)):
        count = len(option.fruit)
        if option.value > best.get(count, _NONE):
            best[count] = option.value
            out.append(option)
    return out


def choose_kept(problem: ThinningProblem, most: int, fewest: int) -> BoolArray:
    """Fruit to keep: the exact choice, or by clusters where places or gaps are not known.

    Shape (N,), True where the fruit stays.

    The count leads: where the gap leaves no room for it, it is one fruit a cluster. So one fruit
    more never costs several.

    Parameters
    ----------
    problem : ThinningProblem
    most, fewest : int
        Wanted number, and what is enough where a cut spares work by it; fewer only where clusters
        and gaps leave no room.
    """
    wood = problem.wood
    if not problem.ordered:
        return _best_of_sites(wood, most)
    kept = choose_fruit(wood, most, fewest=fewest, costs=problem.costs)
    if kept.sum() < fewest:
        as_they_hang = _best_of_sites(replace(wood, site=problem.group), most)
        kept = max((kept, as_they_hang), key=lambda k: int(k.sum()))
    return kept


def spread_out(problem: ThinningProblem, kept: BoolArray, work: Work) -> tuple[BoolArray, Work]:
    """Among plans of the same count, the same cuts and as many pinches, the widest spread.

    ``kept`` and the mask given back have shape (N,), one a fruit of the problem.

    Parameters
    ----------
    problem : ThinningProblem
    kept : bool array
    work : Work
        Its cuts stay where they are.

    Returns
    -------
    bool array, Work
        The kept fruit whose smallest gap is largest, to half a unit; the best of those by score.
    """
    wood, count = problem.wood, int(kept.sum())
    clusters = len(np.unique(problem.group[kept]))
    if count < 2 or len(kept) > _LARGEST_SPREAD:
        return kept, work
    tip = np.zeros(len(kept), dtype=bool)
    cut_off = [i for cut in work.cuts for i in cut.fruit]
    for cut in work.cuts:
        tip |= (wood.line == cut.line) & (wood.at > cut.at - problem.costs.keep_tip + EPS)
        if cut.line == -1:
            tip |= np.append(wood.fork, -np.inf)[wood.line] > cut.at - problem.costs.keep_tip
    tip[cut_off] = True
    tip[kept] = False
    left = replace(wood, score=np.where(tip, np.nan, wood.score))

    def spread(gap: float) -> BoolArray | None:
        wider = choose_fruit(replace(left, gap=gap), count)
        fits = wider.sum() == count and len(np.unique(problem.group[wider])) >= clusters
        return wider if fits else None

    best, low, high = kept, 0.0, wood.length + float(wood.shoot_length.sum())
    half_unit = 0.5 if problem.px_per_unit != 1.0 else wood.length / 2000
    while high - low > half_unit:
        gap = (low + high) / 2
        wider = spread(gap)
        best, low, high = (best, low, gap) if wider is None else (wider, gap, high)
    best = _farthest_of_clusters(problem, best, ~tip)
    gone = ~best
    gone[cut_off] = False
    return best, replace(work, pinches=tuple(int(i) for i in np.flatnonzero(gone)))


def _farthest_of_clusters(
    problem: ThinningProblem, kept: BoolArray, may_stay: BoolArray
) -> BoolArray:
    """Of a cluster another fruit than its best, where that hangs half as far again from the rest.

    Half is our choice. Each change widens the narrowest of the gaps that it touches, so it ends.
    """
    kept, group = kept.copy(), problem.group
    may_stay = may_stay & np.isfinite(problem.score)
    apart = apart_on_wood(problem.wood, np.arange(len(kept)))
    moved = True
    while moved:
        moved = False
        for one in np.flatnonzero(kept & ~problem.wood.may_pair):
            others = np.flatnonzero(kept & (group != group[one]))
            mates = np.flatnonzero(may_stay & (group == group[one]))
            if len(mates) < 2 or not len(others):
                continue
            room = apart[np.ix_(mates, others)].min(axis=1)
            if room.max() > 1.5 * apart[one, others].min() + EPS:
                kept[one], kept[mates[int(np.argmax(room))]] = False, True
                moved = True
    return kept


def _best_of_sites(wood: FruitingWood, most: int) -> BoolArray:
    """Best fruit of each site (two where pairs are allowed), then the best of those."""
    kept = np.zeros(len(wood.at), dtype=bool)
    room: dict[int, int] = {}
    for i in np.argsort(-np.nan_to_num(wood.score, nan=-np.inf), kind="stable"):
        taken = room.get(int(wood.site[i]), 0)
        if np.isfinite(wood.score[i]) and taken < (2 if wood.may_pair[i] else 1) and most > 0:
            kept[i], room[int(wood.site[i])], most = True, taken + 1, most - 1
    return kept
