"""Timing, queue and comparison against published figures; hemispheres mirrored."""

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fruitcount.errors import BadInputError
from fruitcount.plan import GrowerInputs
from fruitcount.plan.timing import size_timing
from fruitcount.season import (
    OrchardTree,
    SeasonFacts,
    before_after,
    queue,
    ripening_order,
    season_part,
    season_steps,
    season_year,
    timing,
)
from fruitcount.season.orchard import name_order
from fruitcount.species import load_species

TODAY = date(2026, 5, 1)


def tree(name, **facts):
    return OrchardTree(name, **{"species": "peach", "ripening_month": 8} | facts)


def states(trees, today=TODAY):
    return [(q.tree.name, q.state) for q in queue(trees, today)]


@pytest.mark.parametrize(
    ("size_mm", "state"),
    [
        (6, "too early"), (8, "soon"), (11, "soon"), (13, "now"), (19, "now"), (25, "now"),
        (26, "late"),
    ],
)  # fmt: skip
def test_size_window(size_mm, state):
    # from a pea on it is early but possible: common practice, no source
    # UC Master Gardeners Santa Clara: 1/2 to 1 in (13-25 mm); UCCE: about 3/4 in (19 mm)
    assert timing("peach", TODAY, size_mm=size_mm).state == state


@pytest.mark.parametrize(
    ("species", "days", "state"),
    [
        ("peach", 40, "now"),  # Marini 2003: about 40 days
        ("nectarine", 42, "now"),  # Univ. Georgia: about 6 weeks
        ("apricot", 40, "now"), ("apricot", 60, "now"), ("apricot", 61, "late"),  # review 2021
        ("apple", 21, "now"), ("apple", 36, "late"),  # Oregon State: 3-5 weeks
        ("peach", 15, "too early"), ("peach", 25, "soon"), ("peach", -1, "too early"),
        ("japanese-plum", 30, "not told"),
        ("sweet-cherry", 40, "not thinned"), ("tart-cherry", 40, "not thinned"),
    ],
)  # fmt: skip
def test_days_after_bloom(species, days, state):
    got = timing(species, TODAY, bloom_date=TODAY - timedelta(days=days))
    assert got.state == state


def test_early_ripening_is_late_sooner():
    # NC State: no later than nickel size (US Mint: 21.21 mm)
    assert timing("peach", TODAY, size_mm=22).state == "now"
    assert timing("peach", TODAY, size_mm=22, early=True).state == "late"


@pytest.mark.parametrize("month", [5, 8, 9])
@pytest.mark.parametrize("species", ["peach", "apricot", "japanese-plum"])
def test_limb_and_season_say_the_same(species, month):
    said = {"too early": "too early", "early but possible": "soon", "in time": "now",
            "last call": "now", "late": "late"}  # fmt: skip
    inputs = GrowerInputs(species, ripening_month=month)
    for size in np.arange(5.0, 30.0, 0.25):
        limb = size_timing(np.full(3, size), load_species(species), inputs)
        line = queue([tree("a", species=species, size_mm=size, ripening_month=month)], TODAY)[0]
        assert line.state == said[limb.word], size
        assert ("arly but possible" in line.reason) == ("early but possible" in limb.sentence)


def test_cherry_plum_is_a_plum():
    assert timing("cherry-plum", TODAY, size_mm=15).state == "now"


def test_size_outweighs_the_calendar():
    got = timing("peach", TODAY, bloom_date=TODAY - timedelta(days=10), size_mm=18)
    assert (got.state, got.by) == ("now", "size")


def test_nothing_known_is_not_told():
    assert timing("peach", TODAY).state == "not told"


def test_earliest_ripening_first():
    trees = [
        tree("late one", ripening_month=9, size_mm=27),
        tree("early one", ripening_month=6, size_mm=18),
        tree("waiting", ripening_month=6, size_mm=7),
        tree("left", leave_it=True),
        tree("blank", ripening_month=None, size_mm=19),
        tree("first done", ripening_month=7, first_pass_on=TODAY - timedelta(days=14)),
        tree("just done", ripening_month=7, first_pass_on=TODAY - timedelta(days=13)),
        tree("both done", first_pass_on=date(2026, 4, 1), second_pass_on=date(2026, 4, 15)),
    ]
    assert states(trees) == [
        ("early one", "now"), ("first done", "second pass due"), ("late one", "late"),
        ("blank", "now"), ("just done", "second pass later"), ("waiting", "too early"),
        ("both done", "done"), ("left", "leave it"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("bloom", "month", "first_pass", "day", "over"),
    [
        (date(2026, 3, 20), 7, None, date(2026, 7, 31), False),
        (date(2026, 3, 20), 7, None, date(2026, 8, 1), True),
        (date(2026, 3, 20), 7, date(2026, 5, 1), date(2026, 11, 25), True),
        (None, 7, date(2026, 5, 1), date(2026, 11, 25), True),
        (date(2026, 9, 1), 1, None, date(2026, 12, 31), False),  # south of the equator
        (date(2026, 9, 1), 1, None, date(2027, 2, 1), True),
        (None, 7, None, date(2026, 11, 25), False),  # which year's fruit it is, is not told
        (date(2028, 1, 20), 2, None, date(2028, 2, 29), False),
    ],
)
def test_a_tree_that_has_ripened_is_not_late(bloom, month, first_pass, day, over):
    """Common practice, no source: after its harvest a tree is not thinned."""
    asked = tree(
        "a", bloom_date=bloom, ripening_month=month, first_pass_on=first_pass, size_mm=33,
        southern=bloom is not None and bloom.month > 7,
    )  # fmt: skip
    (line,) = queue([asked], day)
    assert (line.state == "over") is over
    assert not (over and line.for_today)


def test_names_sort_as_people_do():
    names = ["Row 10", "row 2", "Row 2", "Row 1b", "3", "20", "Row", ""]
    want = ["", "3", "20", "Row", "Row 1b", "Row 2", "row 2", "Row 10"]
    assert sorted(names, key=name_order) == want


def test_warm_month_says_earlier():
    (line,) = queue([tree("a", size_mm=15)], TODAY, gdh30_by_tree={"a": 7300})
    assert "thin earlier" in line.reason
    (line,) = queue([tree("a", size_mm=15)], TODAY, gdh30_by_tree={"a": 5900})
    assert "thin earlier" not in line.reason


@given(st.integers(1, 12), st.integers(1, 12))
def test_hemispheres_mirror(one, two):
    flip = [(m + 5) % 12 + 1 for m in (one, two)]
    assert ripening_order(one) == ripening_order(flip[0], southern=True)
    assert season_part(one) == season_part(flip[0], southern=True)
    north = [tree("a", ripening_month=one, size_mm=18), tree("b", ripening_month=two, size_mm=18)]
    south = [
        tree(t.name, ripening_month=m, size_mm=18, southern=True)
        for t, m in zip(north, flip, strict=True)
    ]
    assert states(north) == states(south)


@pytest.mark.parametrize(
    ("month", "part"),
    [(5, "early"), (6, "early"), (7, "mid"), (8, "mid"), (9, "late"), (10, "late")],
)
def test_parts_of_the_season(month, part):
    # van den Ende 2012, for US months: early May/June, mid July/Aug, late Sept/Oct
    assert season_part(month) == part


def test_southern_season_spans_new_year():
    assert season_year(date(2027, 2, 1), southern=True) == 2026
    assert season_year(date(2026, 9, 1), southern=True) == 2026
    assert season_year(date(2026, 2, 1)) == 2026


def test_bad_trees_are_named():
    with pytest.raises(BadInputError, match="ripening_month"):
        tree("a", ripening_month=13)
    with pytest.raises(BadInputError, match="second_pass_on of a"):
        tree("a", first_pass_on=date(2026, 5, 2), second_pass_on=date(2026, 5, 1))
    with pytest.raises(BadInputError, match="name"):
        tree(" ")


def test_before_and_after():
    got = before_after(290, 148, target_n=120)
    assert (got.off_n, got.left_over_target_n) == (142, 28)
    assert got.off_frac == pytest.approx(0.4897, abs=1e-4)


def test_seasons_in_a_row():
    facts = [SeasonFacts(2025, 900, 300, 40.0, 140.0), SeasonFacts(2023, 700, 250, 30.0),
             SeasonFacts(2026, None, 280, 44.0, 150.0)]  # fmt: skip
    one, two = season_steps(facts)
    assert (one.previous_year, one.year, one.harvest_change_kg) == (2023, 2025, 10)
    assert one.fruit_change_g != one.fruit_change_g
    assert (two.fruit_change_n, two.fruit_change_g) == (-20, 10)
