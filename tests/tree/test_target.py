"""Targets and shares against the trade's published figures, and what to photograph next."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fruitcount.errors import BadInputError
from fruitcount.species.model import load_species
from fruitcount.tree.estimate import LimbGroup, ratio_total, simple_total
from fruitcount.tree.sampling import limbs_to_halve, more_paths, next_by_group, next_limbs
from fruitcount.tree.sheet import LimbShare, thinning_work, tree_sheet
from fruitcount.tree.target import (
    share_by_area,
    target_by_crates,
    target_by_spacing,
    target_by_trunk,
)

PEACH = load_species("peach")


def test_trunk_table():
    # van den Ende 2012: 7-year peach, mid-season, 40 cm
    got = target_by_trunk(PEACH, 40, age_years=7, season="mid")
    assert (got.low_n, got.high_n) == (140, 160)
    assert got.low_n / 127.3 == pytest.approx(1.10, abs=0.01)  # fruit a cm2 of trunk, as printed
    assert got.high_n / 127.3 == pytest.approx(1.26, abs=0.01)


@pytest.mark.parametrize(
    ("age", "season", "printed"),
    [(2, "mid", 5.0), (3, "late", 6.5), (4, "early", 6.5), (4, "mid", 9.0), (4, "late", 11.5)],
)
def test_trunk_table_in_inches(age, season, printed):
    # the same table prints fruit per inch, rounded to halves
    assert target_by_trunk(PEACH, 2.54, age_years=age, season=season).middle_n == pytest.approx(
        printed, abs=0.2
    )


def test_spacing_over_all_limbs():
    # "Growing Organic Orchard Fruits": 36 in of wood at 2-4 in = 9-18 fruit
    got = target_by_spacing([20 * 25.4, 16 * 25.4], low_mm=2 * 25.4, high_mm=4 * 25.4, by="x")
    assert (got.low_n, got.high_n) == (pytest.approx(9), pytest.approx(18))


def test_crates():
    assert target_by_crates(3, crate_kg=12, fruit_g=150).middle_n == pytest.approx(240)


def test_work():
    got = thinning_work(300, 120, pace_n_per_min=30, fruit_g=150)
    assert (got.off_n, got.minutes) == (180, 6)
    assert got.harvest_kg == pytest.approx(18)
    assert np.isnan(thinning_work(300, 120).minutes)


def test_largest_remainder():
    assert share_by_area(100, [1, 1, 1]).tolist() == [34, 33, 33]
    # room on the first limb runs out; the rest goes to the others
    assert share_by_area(100, [8, 1, 1], have_n=[20, 90, 90]).tolist() == [20, 40, 40]
    assert share_by_area(100, [1, 1], have_n=[10, 20]).tolist() == [10, 20]


@settings(max_examples=200, deadline=None)
@given(
    st.floats(0, 3000),
    st.lists(st.tuples(st.floats(0.1, 40), st.integers(0, 400)), min_size=1, max_size=25),
)
def test_shares_add_up(target, limbs):
    area, have = [a for a, _ in limbs], np.array([h for _, h in limbs])
    got = share_by_area(target, area, have_n=have)
    assert got.sum() == min(round(target), have.sum())
    assert np.all(got <= have)
    assert np.all(got >= 0)


def test_halving_with_random_limbs():
    """The promised width is the width that a sample of that size has, on average."""
    rng = np.random.default_rng(3)
    area = np.full(30, 4.0)
    which, share = limbs_to_halve(area, range(5))
    assert share <= 0.5 + 1e-9
    assert not set(which) & set(range(5))
    width = {5: 0.0, 5 + len(which): 0.0}
    for _ in range(400):
        fruit = rng.poisson(rng.gamma(10, 4, 30))
        for n in width:
            e = simple_total(rng.choice(fruit, n, replace=False), limbs_n=30)
            width[n] += e.high_n - e.low_n
    assert width[5 + len(which)] / width[5] == pytest.approx(share, rel=0.12)


def test_hand_counts_can_be_what_is_short():
    which, share = limbs_to_halve(np.ones(10), [0, 1, 2], fixed_share_frac=0.5)
    assert len(which) == 7
    assert share > 0.5


def test_next_limbs_balance_the_sample():
    area = [1.0, 1.0, 1.0, 9.0, 5.0, 2.0]
    assert next_limbs(area, [0, 1], 1) == (3,) or next_limbs(area, [0, 1], 1) == (4,)
    first = next_limbs(area, [0, 1], 1)[0]
    assert abs((2 + area[first]) / 3 - np.mean(area)) == min(
        abs((2 + area[i]) / 3 - np.mean(area)) for i in range(2, 6)
    )


def test_groups_with_more_spread_get_more():
    got = next_by_group([LimbGroup("even", (30, 31), 20), LimbGroup("uneven", (10, 60), 20)], 6)
    assert got == {"even": 0, "uneven": 6}
    assert next_by_group([LimbGroup("a", (1, 9), 3)], 5) == {"a": 1}


def test_more_paths():
    assert more_paths(4) > 4
    with pytest.raises(BadInputError, match="paths_n"):
        more_paths(1)


def test_where_all_may_stay_none_is_taken_off():
    limbs = [LimbShare("A", 5, 30.6), LimbShare("B", 5, 28), LimbShare("C", 5), LimbShare("D", 5)]
    total = simple_total([30.6, 28], limbs_n=4)  # 29.3 on each limb not photographed
    target = target_by_crates(12, crate_kg=10, fruit_g=150)  # 800 fruit: more than hang there
    sheet = tree_sheet(limbs, total, target=target)
    assert [r.work.off_n for r in sheet.counted] == [r.whole_n - r.keep_n for r in sheet.counted]
    assert sheet.keep_n == 117  # 4 x 29.3 = 117.2
    assert sheet.work.off_n <= 2  # a limb by its share: 29 or 30 of the 31 on it
    assert sheet.whole_work.off_n == pytest.approx(0.2)


def test_limbs_not_photographed_add_up_in_whole_fruit():
    limbs = [LimbShare(name, 5, n) for name, n in zip("ABC", (28, 24, 18), strict=True)]
    limbs += [LimbShare(name, 5) for name in "DEFGH"]
    total = simple_total([28, 24, 18], limbs_n=8)  # 70 / 3 on each: 186.7 on the tree
    sheet = tree_sheet(limbs, total, target=target_by_crates(1, crate_kg=9.6, fruit_g=150))
    assert [r.whole_n for r in sheet.limbs] == [28, 24, 18, 24, 24, 23, 23, 23]
    assert sheet.whole_work.off_n == pytest.approx(560 / 3 - 64)


def test_sheet_adds_up_and_says_what_is_common_practice():
    limbs = [LimbShare("A", 5, 900), LimbShare("B", 4, 500), LimbShare("C", 3)]
    total = ratio_total([900, 500], [5, 4], all_area_cm2=[5, 4, 3])
    sheet = tree_sheet(
        limbs, total, target=target_by_trunk(PEACH, 40, age_years=7, season="mid"),
        pace_n_per_min=25, fruit_g=160,
    )  # fmt: skip
    assert sheet.keep_n == 150 == sum(r.keep_n for r in sheet.limbs)
    assert [r.counted for r in sheet.limbs] == [True, True, False]
    assert [r.work.off_n for r in sheet.counted] == [r.whole_n - r.keep_n for r in sheet.counted]
    assert sheet.whole_work.off_n == pytest.approx(total.value_n - 150)
    assert sheet.whole_work.harvest_kg == pytest.approx(150 * 0.16)
    assert any("no source" in n and "1,500" in n for n in sheet.notes)
