"""What a plan always holds, with and without scale, limb and clusters."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from limbs import PX_PER_MM, fruit_on, straight_limb

from fruitcount.errors import BadInputError
from fruitcount.flags import Flag
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.plan import plan_limb
from fruitcount.species.model import load_species
from fruitcount.types import Fruitlets, Kind, Limb

PEACH = load_species("peach")


def check_whole(plan, fruit):
    assert len(plan.keep_mask) == len(plan.off_mask) == len(fruit)
    assert not (plan.keep_mask & plan.off_mask).any()
    yellowing = fruit.kind == Kind.YELLOWING
    assert not (yellowing & (plan.keep_mask | plan.off_mask)).any()
    assert plan.keep_mask.sum() == plan.keep_count
    assert plan.keep_count + plan.off_count == plan.crop_count
    done = sorted([i for c in plan.cuts for i in c.fruit] + list(plan.pinches))
    assert done == sorted(np.flatnonzero(plan.off_mask))
    assert all(r.rule and r.source and r.given for r in plan.explanation)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 40),
    st.integers(0, 3),
    st.integers(0, 10_000),
    st.booleans(),
    st.sampled_from([1, 2]),
)
def test_every_plan_is_whole(n, shoots, seed, pairs, pass_number):
    rng = np.random.default_rng(seed)
    forks = np.sort(rng.uniform(50, 700, shoots))
    limb = straight_limb(800, shoots=[(f, rng.uniform(60, 300), 50, np.nan) for f in forks])
    shoot = rng.integers(-1, shoots, n)
    reach = np.array([200.0 if s >= 0 else 800.0 for s in shoot])
    fruit = fruit_on(
        limb,
        rng.random(n) * reach,
        shoot=shoot,
        kind=rng.choice(3, n, p=[0.7, 0.2, 0.1]),
        on_limb=rng.choice([1, 0, -1], n, p=[0.8, 0.1, 0.1]),
        cluster=rng.integers(-1, max(n // 3, 1), n),
    )
    plan = plan_limb(fruit, limb, PEACH, GrowerInputs(allow_pairs=pairs, pass_number=pass_number))
    check_whole(plan, fruit)
    if plan.verdict == "thin":
        assert not (plan.keep_mask & (fruit.kind != 0)).any()
        assert plan.keep_count <= plan.target.centre
        for cut in plan.cuts:
            kept_here = plan.keep_mask & (fruit.shoot == cut.shoot)
            if cut.shoot == -1:
                assert (fruit.along_px[plan.keep_mask] < cut.at_px).all()
            elif kept_here.any():
                start = limb.shoots[cut.shoot].line_px[0]
                d = np.hypot(fruit.x_px - start[0], fruit.y_px - start[1])[kept_here]
                assert (d < cut.at_px).all()


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 40), st.integers(0, 10_000))
def test_no_two_kept_closer_than_the_gap(n, seed):
    rng = np.random.default_rng(seed)
    limb = straight_limb(800)
    fruit = fruit_on(limb, rng.uniform(0, 800, n), cluster=rng.integers(-1, 8, n))
    plan = plan_limb(fruit, limb, PEACH, GrowerInputs(pass_number=2))
    if plan.verdict == "thin":
        kept = np.sort(fruit.along_mm[plan.keep_mask])
        assert (np.diff(kept) >= plan.gap_mm - 1e-6).all()


def test_bigger_and_sounder_fruit_stays():
    limb = straight_limb(800)
    at = np.repeat(np.linspace(20, 780, 16), 2) + np.tile([0.0, 6.0], 16)
    size = np.tile([12.0, 17.0], 16)
    cluster = np.repeat(np.arange(16), 2)
    fruit = fruit_on(limb, at, diameter_mm=size, cluster=cluster)
    plan = plan_limb(fruit, limb, PEACH, GrowerInputs())
    assert size[plan.keep_mask].mean() > 16


def test_a_limb_that_may_not_be_shortened_is_only_pinched():
    limb = straight_limb(900)
    fruit = fruit_on(limb, np.linspace(20, 880, 30))
    plan = plan_limb(fruit, limb, PEACH, GrowerInputs(max_cut_frac=0.0))
    assert not plan.cuts
    assert plan.keep_count == 9
    assert plan.gap_mm > 85  # 9 of 30 that hang 30 mm apart: every third or fourth
    check_whole(plan, fruit)


def test_fruit_is_spread_where_the_limb_is_not_shortened():
    limb = straight_limb(900)
    fruit = fruit_on(limb, np.linspace(10, 890, 60))
    plan = plan_limb(fruit, limb, PEACH, GrowerInputs(max_cut_frac=0.0, cap=4))
    kept = fruit.along_mm[plan.keep_mask]
    assert plan.gap_mm > 280  # four over 880 mm are 293 mm apart at best
    assert np.ptp(kept) >= 3 * plan.gap_mm
    # The count leads: where the fruit hangs crowded the gap gives way first.
    crowded = fruit_on(limb, np.linspace(300, 480, 30))
    close = plan_limb(crowded, limb, PEACH, GrowerInputs(max_cut_frac=0.0, cap=4))
    assert close.keep_count == 4
    assert close.gap_mm > 55  # 180 mm between three gaps


def test_a_cut_is_where_it_says():
    limb = straight_limb(900, up_deg=30)
    plan = plan_limb(fruit_on(limb, np.linspace(20, 880, 30)), limb, PEACH, GrowerInputs())
    cut = plan.cuts[0]
    assert cut.at_px == pytest.approx(cut.at_mm * PX_PER_MM)
    assert np.hypot(cut.x_px - 300, cut.y_px - 1500) == pytest.approx(cut.at_px)
    kept = fruit_on(limb, np.linspace(20, 880, 30)).along_mm[plan.keep_mask]
    assert cut.at_mm - kept.max() >= 40.0 - 1e-9  # leaves left beyond the last fruit


@pytest.mark.parametrize(
    ("inputs", "rule", "keep"),
    [({"cap": 3}, "cap", 3), ({"limb_target": 2.0}, "tree share", 3), ({}, "spacing", 8),
     ({"plan_choice": "full"}, "spacing", 8)],
)  # fmt: skip
def test_the_smallest_rule_governs(inputs, rule, keep):
    limb = straight_limb(800)
    fruit = fruit_on(limb, np.linspace(20, 780, 30))
    plan = plan_limb(fruit, limb, PEACH, GrowerInputs(**inputs))
    assert plan.rule == rule
    assert plan.target.centre == keep
    assert plan.target.low <= plan.keep_count <= plan.target.centre
    assert plan.target.low <= plan.target.centre <= plan.target.high


def test_no_room_says_so():
    limb = straight_limb(800)
    fruit = fruit_on(limb, np.linspace(300, 340, 30), cluster=np.zeros(30))
    plan = plan_limb(fruit, limb, PEACH, GrowerInputs())
    assert plan.rule == "room"
    assert plan.keep_count == 1


def no_scale(limb):
    return Limb(line_px=limb.line_px, length_px=limb.length_px, shoots=limb.shoots)


def test_without_a_scale_the_number_is_not_told_but_fruit_is_ranked():
    limb = straight_limb(800)
    cluster = np.repeat(np.arange(8), 3)
    fruit = fruit_on(limb, np.linspace(20, 780, 24), cluster=cluster).with_columns(
        diameter_mm=np.full(24, np.nan), along_mm=np.full(24, np.nan)
    )
    plan = plan_limb(fruit, no_scale(limb), PEACH, GrowerInputs())
    assert plan.verdict == "cannot tell"
    assert math.isnan(plan.target.centre)
    assert Flag.NO_SCALE in plan.flags
    assert np.isfinite(plan.keep_score).all()
    assert plan.keep_count == 8
    assert all(plan.keep_mask[cluster == c].sum() == 1 for c in range(8))
    assert "best fruit of each cluster" in plan.answer
    check_whole(plan, fruit)


def test_a_typed_length_is_a_scale_along_the_limb():
    limb = straight_limb(800)
    fruit = fruit_on(limb, np.linspace(20, 780, 24))
    plan = plan_limb(fruit, no_scale(limb), PEACH, GrowerInputs(limb_length_mm=800))
    assert plan.verdict == "thin"
    assert plan.target.centre == plan_limb(fruit, limb, PEACH, GrowerInputs()).target.centre == 8
    assert plan.cuts[0].at_mm == pytest.approx(plan.cuts[0].at_px / PX_PER_MM)


def test_a_cap_works_without_a_scale_in_shares_of_the_limb():
    limb = straight_limb(800)
    fruit = fruit_on(limb, np.linspace(20, 780, 24))
    plan = plan_limb(fruit, no_scale(limb), PEACH, GrowerInputs(cap=5))
    assert plan.verdict == "thin"
    assert plan.keep_count == 5
    assert all(math.isnan(c.at_mm) and np.isfinite(c.at_px) for c in plan.cuts)
    check_whole(plan, fruit)


def test_without_a_limb_clusters_decide():
    fruit = Fruitlets.from_columns(
        x_px=[1.0, 2, 3, 40, 41], y_px=[0.0] * 5, r_px=[5.0, 6, 5, 5, 7], cluster=[0, 0, 0, 1, 1]
    )
    plan = plan_limb(fruit, Limb(), PEACH, GrowerInputs(limb_length_mm=300))
    assert plan.verdict == "thin"
    assert list(np.flatnonzero(plan.keep_mask)) == [1, 4]
    assert not plan.cuts
    check_whole(plan, fruit)


def test_nothing_there_and_not_told_are_different():
    limb = straight_limb(800)
    none = plan_limb(Fruitlets.empty(), limb, PEACH, GrowerInputs())
    assert none.verdict == "leave"
    unread = plan_limb(Fruitlets.empty(), limb, PEACH, GrowerInputs(), flags=Flag.COUNT_UNKNOWN)
    assert unread.verdict == "cannot tell"


def test_damaged_fruit_comes_off_first():
    limb = straight_limb(800)
    kind = np.r_[np.full(10, 2), np.zeros(20)]
    plan = plan_limb(
        fruit_on(limb, np.linspace(20, 780, 30), kind=kind), limb, PEACH, GrowerInputs()
    )
    assert plan.off_mask[:10].all()


def test_same_plan_on_a_turned_or_enlarged_photo():
    limb = straight_limb(800)
    turned = straight_limb(800, up_deg=90)
    at = np.random.default_rng(4).uniform(20, 780, 25)
    a = plan_limb(fruit_on(limb, at), limb, PEACH, GrowerInputs())
    b = plan_limb(fruit_on(turned, at), turned, PEACH, GrowerInputs())
    assert (a.keep_mask == b.keep_mask).all()
    assert [c.at_mm for c in a.cuts] == pytest.approx([c.at_mm for c in b.cuts])


def test_ten_thousand_fruit_planned_in_under_a_second():
    limb = straight_limb(60_000)
    fruit = fruit_on(limb, np.random.default_rng(1).uniform(0, 60_000, 10_000))
    start = time.process_time()
    plan = plan_limb(fruit, limb, PEACH, GrowerInputs())
    assert time.process_time() - start < 1.0
    assert plan.keep_count > 300


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("pass_number", 3, "1 or 2"),
        ("ripening_month", 13, "1 to 12"),
        ("expected_drop_frac", 1.0, "0.0 to 0.95"),
        ("spacing_mm", 0, "> 0"),
        ("cap", -1, "at least 0"),
        ("inclination_deg", 120, "-90.0 to 90.0"),
        ("handling_factor", 0.5, "at least 1.0"),
        ("seconds_per_cut", 0, "> 0"),
        ("stub_mm", -1, "at least 0.0"),
        ("limb_target", float("nan"), "finite"),
    ],
)
def test_inputs_check_themselves(name, value, text):
    with pytest.raises(BadInputError, match=text) as caught:
        GrowerInputs(**{name: value})
    assert name in str(caught.value)
