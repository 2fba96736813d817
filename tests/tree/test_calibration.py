"""Measurement to true, and the two carried through the tree's interval."""

import math

import numpy as np
import pytest

from fruitcount.errors import BadInputError
from fruitcount.tree.both_sides import BothSides
from fruitcount.tree.estimate import csa_cm2, ratio_total
from fruitcount.tree.hidden import apply_factor, factor_share, range_factor, ratio_factor


def test_half_seen():
    # mango, slope 0.54 seen for one there (Koirala, Walsh & Wang 2021) = factor 1.85
    got = ratio_factor([54, 108, 27], [100, 200, 50])
    assert got.value == pytest.approx(1.85, abs=0.005)
    assert got.high == pytest.approx(got.low)


def test_one_limb_tells_no_spread():
    got = ratio_factor([10], [15])
    assert got.value == 1.5
    assert not got.known


def test_nothing_seen_is_refused():
    with pytest.raises(BadInputError, match="seen_n"):
        ratio_factor([0, 0], [3, 4])


def test_two_sides_worked_by_hand():
    # (100+1)(100+1)/(20+1) - 1, the example of the R package recapr (NChapman help page);
    # variance by Seber's formula, worked by hand: 101*101*80*80/(21^2*22)
    got = BothSides("x", 100, 100, 20).whole
    assert got.value_n == pytest.approx(484.7619, abs=1e-4)
    assert got.var_n2 == pytest.approx(101 * 101 * 80 * 80 / (21**2 * 22))
    assert got.seen_n == 180
    assert 180 < got.low_n < got.value_n < got.high_n


def test_all_seen_from_both_sides():
    got = BothSides("x", 12, 12, 12).whole
    assert (got.value_n, got.low_n, got.high_n, got.var_n2) == (12, 12, 12, 0)


def test_two_sides_rejects_more_shared_than_seen():
    with pytest.raises(BadInputError, match="both must be at most 5"):
        BothSides("x", 5, 9, 6)


def test_two_sides_is_unbiased_by_full_enumeration():
    """Chapman 1951: exactly unbiased when front + back >= all. Every way to draw is summed."""
    all_n, front, back = 9, 6, 5
    weight = {
        m: math.comb(front, m) * math.comb(all_n - front, back - m)
        for m in range(max(0, front + back - all_n), min(front, back) + 1)
    }
    mean = sum(BothSides("x", front, back, m).whole.value_n * w for m, w in weight.items())
    assert mean / math.comb(all_n, back) == pytest.approx(all_n, rel=1e-12)


def test_two_sides_interval_holds():
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(2000):
        all_n = int(rng.integers(60, 200))
        front, back = rng.random(all_n) < 0.6, rng.random(all_n) < 0.55
        got = BothSides("x", int(front.sum()), int(back.sum()), int((front & back).sum())).whole
        held += got.low_n <= all_n <= got.high_n
    assert 0.93 <= held / 2000 <= 0.97


def _trees(seed):
    rng = np.random.default_rng(seed)
    for _ in range(2000):
        area = csa_cm2(rng.uniform(12, 45, 14))
        true = rng.poisson(6 * area * rng.gamma(25, 1 / 25, 14))
        share = rng.beta(30, 25, 14)  # each limb hides its own share
        yield rng, area, true, rng.binomial(true, share)


def test_hand_counts_carry_through():
    """2,000 trees: six limbs photographed, eight other limbs elsewhere counted by hand."""
    held = 0
    for rng, area, true, seen in _trees(31):
        other = rng.poisson(6 * csa_cm2(rng.uniform(15, 40, 8)))
        factor = ratio_factor(rng.binomial(other, rng.beta(30, 25, 8)), other)
        pick = rng.choice(14, 6, replace=False)
        got = apply_factor(ratio_total(seen[pick], area[pick], all_area_cm2=area), factor)
        held += got.low_n <= true.sum() <= got.high_n
    assert 0.93 <= held / 2000 <= 0.97


def test_the_factor_widens_the_answer():
    tree = ratio_total([50, 31, 22], [5, 4, 3], all_area_cm2=[5, 4, 3, 4])
    sure = ratio_factor([54, 108, 27], [100, 200, 50])
    unsure = ratio_factor([54, 108, 27], [80, 230, 40])
    narrow, wide = apply_factor(tree, sure), apply_factor(tree, unsure)
    assert wide.high_n / wide.low_n > narrow.high_n / narrow.low_n
    assert apply_factor(tree, sure).value_n == pytest.approx(tree.value_n / 0.54)


def test_share_of_the_hand_counts():
    tree = ratio_total([50, 31, 22], [5, 4, 3], all_area_cm2=[5, 4, 3, 4])
    sure = ratio_factor([54, 108, 27], [100, 200, 50])
    unsure = ratio_factor([54, 108, 27], [80, 230, 40])
    assert factor_share(apply_factor(tree, sure), sure) == pytest.approx(0, abs=1e-9)
    alike = ratio_total([5, 5, 5], [1, 1, 1], all_area_cm2=[1] * 14)  # as wide as chance alone
    whole = apply_factor(alike, ratio_factor([10, 20], [10, 20]))
    assert (whole.low_n, whole.high_n) == pytest.approx((alike.low_n, alike.high_n))
    # without the sampling part, what is left of the width is the root of that share
    got = apply_factor(tree, unsure)
    share = factor_share(got, unsure)
    assert 0 < share < 1
    left = math.log(unsure.high / unsure.value) / math.log(got.high_n / got.value_n)
    assert share == pytest.approx(left**2, rel=0.05)


def test_the_photos_own_ranges_make_what_is_likely_in_sight():
    """Worked by hand: counts 40 and 20, ranges 44 to 55 and 20 to 25: 64 to 80 for 60.

    Nine in ten is 1.645, 95 in 100 1.960 standard deviations: sqrt(80/64)^1.1915 = 1.142.
    """
    factor = range_factor([44, 20], [55, 25], [40, 20])
    every = ratio_total([40, 20], [5, 4], all_area_cm2=[5, 4])
    got = apply_factor(every, factor)
    assert got.value_n == pytest.approx(math.sqrt(64 * 80))
    assert got.high_n == pytest.approx(math.sqrt(64 * 80) * 1.1422, rel=1e-4)
    assert got.low_n == pytest.approx(math.sqrt(64 * 80) / 1.1422, rel=1e-4)
    assert not got.hidden_too
    none = apply_factor(ratio_total([0, 0], [1, 1], all_area_cm2=[1] * 9),
                        range_factor([0, 0], [3, 2], [0, 0]))  # fmt: skip
    assert none.low_n == 0
    assert none.high_n > 5
