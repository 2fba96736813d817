"""The plan against what the trade says. Each source stands beside its check."""

from __future__ import annotations

import numpy as np
import pytest
from limbs import fruit_on, straight_limb

from fruitcount.plan.fruit_size import size_timing
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.plan import plan_limb
from fruitcount.plan.target import keep_target
from fruitcount.species.model import DIME_MM, NICKEL_MM, PEA_MM, load_species
from fruitcount.units import MM_PER_INCH

INCH = MM_PER_INCH
PEACH = load_species("peach")
NECTARINE = load_species("nectarine")


def plan(at_mm, length_mm, species=PEACH, limb=None, columns=None, **inputs):
    limb = limb or straight_limb(length_mm)
    fruit = fruit_on(limb, at_mm, **(columns or {}))
    return plan_limb(fruit, limb, species, GrowerInputs(species=species.name, **inputs))


def final_count(length_mm, spacing_mm):
    own = GrowerInputs(spacing_mm=spacing_mm, pass_number=2)
    return keep_target(length_mm, PEACH, own).final


@pytest.mark.parametrize(
    ("wood_in", "low_in", "high_in", "fewest", "most"),
    [
        (36, 2, 4, 9, 18),  # European plum: Growing Organic Orchard Fruits, p. 691
        (36, 3, 4, 9, 12),  # Japanese plum: the same
        (30, 3, 5, 6, 10),  # apricot: the same book, p. 688
    ],
)
def test_fruit_per_length_of_wood(wood_in, low_in, high_in, fewest, most):
    assert final_count(wood_in * INCH, high_in * INCH) == fewest
    assert final_count(wood_in * INCH, low_in * INCH) == most


def test_apricot_trial_spacing():
    # 1 per 50 mm: Rettke & Dahlenburg 1999, Aust. J. Exp. Agric. 39:885-889.
    assert final_count(1000.0, 50.0) == 20


@pytest.mark.parametrize(
    ("inch", "cm"), [(2, 5.08), (4, 10.16), (6, 15.24), (8, 20.32), (10, 25.4)]
)
def test_inch_is_exact(inch, cm):
    # International inch, by definition.
    assert inch * INCH / 10 == pytest.approx(cm, abs=1e-12)


def test_twenty_on_eighteen_inches_is_far_too_much():
    # Common practice, no source: about 20 fruit on an 18 in limb is far too much; thinned first
    # to 3 or 4, which is still not the final count.
    rng = np.random.default_rng(0)
    made = plan(rng.uniform(20, 450, 20), 18 * INCH, NECTARINE)
    assert made.verdict == "thin"
    assert made.keep_count in (3, 4)
    assert made.off_count >= 16
    assert "not the final count" in made.notes[0]
    assert "14 days later" in made.notes[0]  # second pass about two weeks later: no source


def test_large_nectarines_end_at_one_per_foot():
    # Common practice, no source: for large nectarines about one fruit per 12 in at the end.
    at = np.linspace(20, 440, 20)
    first = plan(at, 18 * INCH, NECTARINE, spacing_mm=12 * INCH)
    last = plan(at, 18 * INCH, NECTARINE, spacing_mm=12 * INCH, pass_number=2)
    assert first.keep_count in (3, 4)
    assert first.target.final in (1, 2)
    assert last.keep_count in (1, 2)
    assert plan(at, 36 * INCH, NECTARINE, spacing_mm=12 * INCH, pass_number=2).keep_count == 3


@pytest.mark.parametrize("seed", range(8))
def test_one_cut_on_the_outer_two_thirds_does_the_job(seed):
    # Common practice, no source: a 32-36 in limb with about 30 fruit has 20-25 of them on its
    # outer two-thirds, and one cut there does the job; an aggressive first pass takes off
    # two-thirds to three-quarters.
    rng = np.random.default_rng(seed)
    length = rng.uniform(32, 36) * INCH
    outer = int(rng.integers(20, 26))
    at = np.r_[rng.uniform(20, length / 3, 30 - outer), rng.uniform(length / 3, length - 5, outer)]
    made = plan(at, length, columns={"diameter_mm": rng.normal(15, 1.5, 30)})
    assert made.verdict == "thin"
    assert len(made.cuts) == 1
    assert made.cuts[0].shoot == -1
    assert length / 3 < made.cuts[0].at_mm < length
    # About nine-tenths of it in the trade; 90 % on 80 such limbs, the least 73 %.
    assert made.clipper_share_frac > 0.65
    assert 2 / 3 <= made.off_count / made.crop_count <= 0.78


def test_clippers_do_most_of_the_work_where_shoots_carry_it():
    # Common practice, no source: about nine-tenths of the work is cuts. With fruit strewn evenly
    # over all shoots, which leaves clippers the least to gain, it is still more than half.
    limb = straight_limb(800, shoots=[(100 * i, 200.0, 60, np.nan) for i in range(2, 8)])
    shares = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        at = np.r_[rng.uniform(0, 780, 6), rng.uniform(30, 200, 60)]
        fruit = fruit_on(limb, at, shoot=np.r_[np.full(6, -1), np.repeat(np.arange(6), 10)])
        shares.append(plan_limb(fruit, limb, PEACH, GrowerInputs()).clipper_share_frac)
    assert np.mean(shares) > 0.5
    # Crowded tips, as on heavy limbs, are where clippers do it all.
    at = np.r_[np.linspace(50, 450, 8), 510 + 11.0 * np.arange(24)]
    assert plan(at, 800).clipper_share_frac >= 0.9


@pytest.mark.parametrize(
    ("size", "pairs", "allowed"), [(3, False, {1}), (5, False, {1}), (5, True, {1, 2})]
)
def test_clusters_are_broken(size, pairs, allowed):
    # Common practice, no source: a cluster of three goes to one, of five to one or two.
    # One fruit per site: Penn State Extension, Fruit Thinning.
    at = np.r_[100 + 10 * np.arange(size), 300.0, 500.0]
    cluster = np.r_[np.zeros(size), 1, 2]
    made = plan(at, 600, columns={"cluster": cluster}, allow_pairs=pairs, pass_number=2)
    assert made.keep_mask[:size].sum() in allowed
    assert made.keep_count == 3


def test_six_on_a_short_spur_branch_go_to_two():
    # Common practice, no source: six fruit on a short spur branch go to two, the four at the
    # end coming off.
    limb = straight_limb(8 * INCH)
    made = plan(np.array([1.2, 2.6, 4.6, 5.6, 6.6, 7.6]) * INCH, 8 * INCH, limb=limb)
    assert made.keep_count == 2
    assert list(np.flatnonzero(made.keep_mask)) == [0, 1]
    assert len(made.cuts) == 1
    assert made.cuts[0].fruit == (2, 3, 4, 5)
    assert made.clipper_share_frac == 1.0


@pytest.mark.parametrize("name", ["sweet-cherry", "tart-cherry"])
def test_cherries_are_left(name):
    # Kansas State, Oklahoma State, UC, Nevada: not thinned by hand.
    made = plan(np.linspace(10, 290, 60), 300, load_species(name))
    assert made.verdict == "leave"
    assert "not thinned" in made.reason
    assert made.keep_count == 60
    assert not made.cuts
    assert not made.pinches


def test_a_light_set_is_left():
    # Common practice, no source.
    at = np.linspace(10, 890, 30)
    assert plan(at, 900).verdict == "thin"
    told = plan(at, 900, light_set=True)
    assert told.verdict == "leave"
    assert told.off_count == 0
    seen = plan(np.linspace(50, 850, 5), 900)
    assert seen.verdict == "leave"
    assert seen.rule == "what is there"


def test_yellowing_fruit_is_not_crop():
    # Krueger, UC prune sample rule: sound fruit only (no yellow).
    at = np.linspace(10, 890, 12)
    kind = np.r_[np.ones(4), np.zeros(8)]
    made = plan(at, 900, columns={"kind": kind})
    assert made.crop_count == 8
    assert made.yellowing_count == 4
    assert made.verdict == "leave"
    assert not made.keep_mask[:4].any()
    assert "4 yellowing fruit are not counted: they will drop." in made.notes
    one = plan(at, 900, columns={"kind": np.r_[1, np.zeros(11)]})
    assert "1 yellowing fruit is not counted: it will drop." in one.notes


def test_drop_is_applied_only_where_it_is_still_to_come():
    at = np.linspace(10, 890, 60)
    done = plan(at, 900, drop_done=True)
    unasked = plan(at, 900)
    for choice, keep, with_drop in (("full", 9, 12), ("quick", 9, 12)):
        coming = plan(at, 900, drop_done=False, expected_drop_frac=0.25, plan_choice=choice)
        assert plan(at, 900, plan_choice=choice).target.centre == keep
        assert coming.target.centre == with_drop
    assert done.target.centre == unasked.target.centre
    assert any("natural drop happened" in note for note in unasked.notes)
    assert not any("natural drop happened" in note for note in done.notes)


@pytest.mark.parametrize(
    ("size_mm", "month", "word"),
    [
        (6.0, 7, "too early"),
        (PEA_MM, 7, "early but possible"),  # pea to dime size: common practice, no source
        (12.6, 7, "early but possible"),  # under 1/2 in (13 mm), where UC Santa Clara begins
        (13.0, 7, "in time"),  # 1/2 in, UC Santa Clara
        (DIME_MM, 5, "in time"),  # US Mint: 17.91 mm
        (19.05, 7, "last call"),  # about 3/4 in is best: UCCE; a US cent
        (NICKEL_MM, 5, "late"),  # nickel size is late for early varieties: no source
        (NICKEL_MM, 9, "last call"),
        (NICKEL_MM, 7, "last call"),  # UC Santa Clara goes to 1 in
        (26.0, 9, "late"),  # past 1/2-1 in, UC Santa Clara
    ],
)
def test_size_tells_the_time(size_mm, month, word):
    got = size_timing(np.full(5, size_mm), PEACH, GrowerInputs(ripening_month=month))
    assert got.word == word


def test_apricot_may_wait_for_an_inch():
    # UC IPM, Thinning apricots: at about 1 in diameter.
    apricot = load_species("apricot")
    got = size_timing(np.full(5, 23.0), apricot, GrowerInputs("apricot", ripening_month=7))
    assert got.word == "last call"


def test_final_peach_counts_lie_within_published_advice():
    # 3-5 in (UC Santa Clara) to 6-10 in (Oregon State) are the ends of what is published.
    target = keep_target(36 * INCH, PEACH, GrowerInputs(pass_number=2))
    assert 36 / 10 <= target.low <= target.final <= target.high <= 36 / 3
    assert (target.low, target.final, target.high) == (4, 6, 9)
