"""The exact choice against brute force, and against HiGHS (through SciPy), a general solver."""

from __future__ import annotations

import time
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from fruitcount.plan.choose import choose_fruit
from fruitcount.plan.cuts import least_work, work_cost
from fruitcount.plan.problem import Costs, FruitingWood, split_into_sites


def random_wood(rng, n, shoots, *, pairs=False, damaged=0.0, length=100.0, gap=None):
    fork = np.sort(rng.uniform(5, length - 5, shoots).round(rng.integers(0, 3)))
    shoot_length = rng.uniform(15, 50, shoots)
    line = rng.integers(-1, shoots, n)
    reach = np.where(line == -1, length, shoot_length[line] if shoots else length)
    at = (rng.random(n) * reach).round(rng.integers(0, 3))
    gap = gap or float(rng.choice([3.0, 8.0, 15.0, 30.0]))
    cluster = np.where(rng.random(n) < 0.6, rng.integers(0, max(n // 3, 1), n), -1)
    used = fork[np.isin(np.arange(shoots), line)]
    site = split_into_sites(line, at, cluster, gap=gap, fork=used)
    sizes = np.bincount(site, minlength=n)
    worth = rng.random(n)
    worth[rng.random(n) < damaged] = np.nan
    return FruitingWood(
        line=line,
        at=at,
        score=worth,
        site=site,
        may_pair=(sizes[site] >= 2) if pairs else np.zeros(n, bool),
        gap=gap,
        length=length,
        fork=fork,
        shoot_length=shoot_length,
    )


def distance(wood, i, j):
    """Along the wood, worked out from the picture of a limb with shoots and nothing else."""
    a, b = wood.line[i], wood.line[j]
    if a == b:
        return abs(wood.at[i] - wood.at[j])
    place_i = wood.at[i] if a == -1 else wood.fork[a]
    place_j = wood.at[j] if b == -1 else wood.fork[b]
    return abs(place_i - place_j) + (wood.at[i] if a >= 0 else 0) + (wood.at[j] if b >= 0 else 0)


def conflicts(wood):
    """Pairs that may not both be kept, and groups of which at most two may."""
    n = len(wood.at)
    pairs = []
    for i, j in combinations(range(n), 2):
        mates = wood.site[i] == wood.site[j]
        if mates and wood.may_pair[i]:
            continue
        if mates or distance(wood, i, j) < wood.gap - 1e-9:
            pairs.append((i, j))
    groups = [np.flatnonzero(wood.site == s) for s in np.unique(wood.site)]
    return pairs, groups


def allowed(wood, chosen, pairs, groups):
    kept = np.zeros(len(wood.at), bool)
    kept[list(chosen)] = True
    if np.isnan(wood.score[kept]).any() or any(kept[i] and kept[j] for i, j in pairs):
        return False
    return all(kept[g].sum() <= 2 for g in groups)


def brute_force(wood, most, costs, fewest=None):
    """Best of all counts from fewest to most; with no room for those, of the largest count."""
    pairs, groups = conflicts(wood)
    n = len(wood.at)
    best = -np.inf
    best_count = 0
    for count in range(min(most, n), 0, -1):
        if best > -np.inf and count < (most if fewest is None else fewest):
            break
        for chosen in combinations(range(n), count):
            if allowed(wood, chosen, pairs, groups):
                kept = np.zeros(n, bool)
                kept[list(chosen)] = True
                work = work_cost(least_work(wood, kept, costs), costs)
                value = wood.score[kept].sum() - work
                if value > best:
                    best, best_count = value, count
    if best > -np.inf:
        return best_count, best
    return 0, -work_cost(least_work(wood, np.zeros(n, bool), costs), costs)


def value_of(wood, kept, costs):
    return wood.score[kept].sum() - work_cost(least_work(wood, kept, costs), costs)


@pytest.mark.parametrize("with_costs", [False, True])
def test_optimal_on_a_thousand_random_small_cases(with_costs):
    rng = np.random.default_rng(20 + with_costs)
    for _ in range(1000):
        n = int(rng.integers(1, 9))
        wood = random_wood(rng, n, int(rng.integers(0, 4)), pairs=rng.random() < 0.5, damaged=0.15)
        costs = (
            Costs(
                cut=float(rng.uniform(0.05, 1)),
                pinch=float(rng.uniform(0.02, 0.5)),
                keep_tip=float(rng.choice([0.0, 4.0, 12.0])),
                max_cut_frac=float(rng.choice([0.4, 0.7, 1.0])),
                wood=float(rng.choice([0.0, 0.002, 0.01])),
                clear=float(rng.choice([0.0, 2.0])),
            )
            if with_costs
            else Costs()
        )
        most = int(rng.integers(1, 6))
        fewest = int(rng.integers(1, most + 1)) if with_costs else None
        kept = choose_fruit(wood, most, fewest=fewest, costs=costs)
        pairs, groups = conflicts(wood)
        assert allowed(wood, np.flatnonzero(kept), pairs, groups)
        count, best = brute_force(wood, most, costs, fewest)
        assert kept.sum() == count
        assert value_of(wood, kept, costs) == pytest.approx(best, abs=1e-9)


@pytest.mark.parametrize("shoots", [0, 6])
@pytest.mark.parametrize("pairs", [False, True])
def test_same_as_a_general_solver_on_larger_cases(shoots, pairs):
    rng = np.random.default_rng(7)
    for _ in range(6):
        wood = random_wood(rng, 60, shoots, pairs=pairs, length=300.0, gap=12.0)
        kept = choose_fruit(wood, 9)
        forbidden, groups = conflicts(wood)
        n = len(wood.at)
        rows = [np.ones(n)]
        uppers = [9.0]
        for i, j in forbidden:
            row = np.zeros(n)
            row[[i, j]] = 1
            rows.append(row)
            uppers.append(1.0)
        for g in groups:
            row = np.zeros(n)
            row[g] = 1
            rows.append(row)
            uppers.append(2.0)
        lowers = np.full(len(rows), -np.inf)
        lowers[0] = kept.sum()
        uppers[0] = kept.sum()
        found = milp(
            -wood.score,
            constraints=LinearConstraint(np.array(rows), lowers, uppers),
            integrality=np.ones(n),
            bounds=Bounds(0, 1),
        )
        assert found.success
        assert wood.score[kept].sum() == pytest.approx(-found.fun, abs=1e-6)


def solve_with_cuts(wood, count, costs):
    """The whole question, work included, written as a mixed-integer program for HiGHS."""
    n = len(wood.at)
    on_main = wood.line == -1
    place = np.where(on_main, wood.at, 0.0)
    place[~on_main] = wood.fork[wood.line[~on_main]]
    # A cut: line, last place that may keep fruit, place of the blade.
    cuts = []
    for extent in np.unique(place):
        blade = max(extent + costs.keep_tip, (1 - costs.max_cut_frac) * wood.length)
        if blade < wood.length:
            cuts.append((-1, extent, blade))
    for shoot in range(len(wood.fork)):
        mine = wood.at[wood.line == shoot]
        cuts.append((shoot, -1.0, -1.0))
        for extent in np.unique(mine):
            if extent + costs.keep_tip < wood.shoot_length[shoot]:
                cuts.append((shoot, extent, extent + costs.keep_tip))
    m = len(cuts)
    rows, low, high = [], [], []

    def rule(parts, at_least, at_most):
        row = np.zeros(2 * n + m)
        for where, value in parts:
            row[where] += value
        rows.append(row)
        low.append(at_least)
        high.append(at_most)

    for i, j in conflicts(wood)[0]:
        rule([(i, 1), (j, 1)], -np.inf, 1)
    rule([(i, 1) for i in range(n)], count, count)
    for line in range(-1, len(wood.fork)):
        rule([(2 * n + c, 1) for c in range(m) if cuts[c][0] == line], -np.inf, 1)
    for i in range(n):
        pinch = [(i, 1), (n + i, 1)]
        for c, (line, extent, blade) in enumerate(cuts):
            if line not in (-1, wood.line[i]):
                continue
            here = place[i] if line == -1 else wood.at[i]
            if here > extent + 1e-9:
                rule([(i, 1), (2 * n + c, 1)], -np.inf, 1)
            if here > blade + 1e-9:
                pinch.append((2 * n + c, 1))
        rule(pinch, 1, np.inf)
    price = np.r_[-wood.score, np.full(n, costs.pinch), np.full(m, costs.cut)]
    found = milp(
        price,
        constraints=LinearConstraint(np.array(rows), low, high),
        integrality=np.r_[np.ones(n), np.zeros(n), np.ones(m)],
        bounds=Bounds(0, 1),
    )
    assert found.success
    return -found.fun


@pytest.mark.parametrize("shoots", [0, 4])
def test_cuts_and_pinches_same_as_a_general_solver(shoots):
    rng = np.random.default_rng(13)
    for _ in range(5):
        wood = random_wood(rng, 36, shoots, length=200.0, gap=10.0)
        costs = Costs(cut=0.4, pinch=0.15, keep_tip=4.0, max_cut_frac=0.7)
        kept = choose_fruit(wood, 7, costs=costs)
        wanted = solve_with_cuts(wood, int(kept.sum()), costs)
        assert value_of(wood, kept, costs) == pytest.approx(wanted, abs=1e-5)


@pytest.mark.parametrize("shoots", [0, 40])
def test_ten_thousand_fruit_in_under_a_second(shoots):
    rng = np.random.default_rng(3)
    wood = random_wood(rng, 10_000, shoots, length=60_000.0, gap=50.8)
    at = np.where(wood.line >= 0, wood.at * 8, wood.at)
    wood = replace(wood, at=at, shoot_length=np.full(shoots, 400.0))
    start = time.process_time()
    kept = choose_fruit(wood, 600, costs=Costs(cut=0.2, pinch=0.07, keep_tip=40.0))
    took = time.process_time() - start
    assert kept.sum() > 0
    assert took < 1.0
