"""Timing, queue and comparison against published figures; hemispheres mirrored."""

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fruitcount.errors import BadInputError
from fruitcount.plan.fruit_size import size_timing
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.season.orchard import OrchardTree, SeasonFacts, name_order, season_steps
from fruitcount.season.queue import day_words, due_weeks, harvest_days, queue
from fruitcount.species.model import load_species
from fruitcount.units import northern_month

TODAY = date(2026, 5, 1)


def tree(name, **facts):
    return OrchardTree(name, **{"species": "peach", "ripening_month": 8} | facts)


def states(trees, today=TODAY):
    return [(q.tree.name, q.state) for q in queue(trees, today)]


def line(today=TODAY, heat=None, **facts):
    (one,) = queue([tree("a", **facts)], today, gdh30_by_tree={"a": heat} if heat else None)
    return one


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
    assert line(size_mm=size_mm).state == state


@pytest.mark.parametrize(
    ("species", "days", "state"),
    [
        ("peach", 40, "now"),  # Marini 2003: about 40 days
        ("nectarine", 42, "now"),  # Univ. Georgia: about 6 weeks
        ("apricot", 40, "now"), ("apricot", 60, "now"), ("apricot", 61, "late"),  # review 2021
        ("peach", 15, "too early"), ("peach", 25, "soon"), ("peach", -1, "too early"),
        ("japanese-plum", 30, "not known"),
        ("sweet-cherry", 40, "not thinned"), ("tart-cherry", 40, "not thinned"),
    ],
)  # fmt: skip
def test_days_after_bloom(species, days, state):
    assert line(species=species, bloom_date=TODAY - timedelta(days=days)).state == state


def test_early_ripening_is_late_sooner():
    # NC State: no later than nickel size (US Mint: 21.21 mm)
    assert line(size_mm=22).state == "now"
    assert line(size_mm=22, ripening_month=6).state == "late"
    assert line(size_mm=22, ripening_month=12, southern=True, today=date(2026, 11, 1)).state == (
        "late"
    )


@pytest.mark.parametrize("month", [5, 8, 9])
@pytest.mark.parametrize("species", ["peach", "apricot", "japanese-plum"])
def test_limb_and_season_say_the_same(species, month):
    said = {"too early": "too early", "early but possible": "soon", "in time": "now",
            "last call": "now", "late": "late"}  # fmt: skip
    inputs = GrowerInputs(species, ripening_month=month)
    for size in np.arange(5.0, 30.0, 0.25):
        limb = size_timing(np.full(3, size), load_species(species), inputs)
        season = line(species=species, size_mm=size, ripening_month=month)
        assert season.state == said[limb.word], size
        assert ("arly but possible" in season.reason) == ("early but possible" in limb.sentence)


def test_cherry_plum_is_a_plum():
    assert line(species="cherry-plum", size_mm=15).state == "now"


def test_size_outweighs_the_calendar():
    got = line(bloom_date=TODAY - timedelta(days=25), size_mm=18)
    assert got.state == "now"
    assert got.due.first == TODAY  # the calendar says what the state says
    got = line(bloom_date=TODAY - timedelta(days=60), size_mm=15)
    assert (got.state, got.due.first) == ("now", TODAY)


def test_a_size_that_cannot_be_is_measured_again():
    """35 mm on 29 February, five days after bloom: neither late nor for 26 March."""
    bloom = date(2024, 2, 24)
    got = line(date(2024, 2, 29), bloom_date=bloom, size_mm=35)
    assert got.state == "measure again"
    assert got.for_today
    assert got.reason == "35 mm is too large 5 days after bloom: check size and bloom date."
    assert (got.due.first, got.due.last) == (date(2024, 2, 29), date(2024, 2, 29))
    assert "before bloom" in line(date(2024, 2, 20), bloom_date=bloom, size_mm=8).reason


def test_a_size_measured_long_ago_does_not_say_too_early_for_ever():
    early = line(bloom_date=TODAY - timedelta(days=20), size_mm=10)
    assert early.state == "soon"
    later = line(bloom_date=TODAY - timedelta(days=40), size_mm=10)
    assert later.state == "measure again"
    assert "10 mm is small for 40 days after bloom: measure a limb again." in later.reason


def test_the_photos_size_is_used_while_it_is_fresh():
    def seen(mm, days_ago, **more):
        day = TODAY - timedelta(days=days_ago)
        return line(photos_mm=mm, photos_on=day, **more)

    fresh = seen(17, 3)
    assert (fresh.state, fresh.reason) == (
        "now", "Fruitlets measured 17 mm on 28 April; usual 13-25 mm.",
    )  # fmt: skip
    assert seen(17, 0).reason.startswith("Fruitlets measure 17 mm;")
    assert seen(17, 3, size_mm=9).state == "soon"  # what the keeper typed leads
    assert seen(17, -2).state == "not known"  # not taken yet on that day
    old = seen(17, 20)
    assert (old.state, old.for_today) == ("measure again", True)
    assert "20 days ago" in old.reason
    assert seen(30, 40).state == "late"  # it will not have grown smaller
    bloom = {"bloom_date": TODAY - timedelta(days=25)}
    assert seen(9, 15, **bloom).state == "soon"  # by the days after bloom
    assert "after bloom" in seen(9, 15, **bloom).reason
    assert seen(20, 20, **bloom).state == "measure again"  # 20 mm five days after bloom


def test_nothing_known_is_not_known():
    assert line().state == "not known"
    assert line().due is None


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
        (date(2026, 3, 20), 7, None, date(2026, 7, 10), False),
        (date(2026, 3, 20), 7, None, date(2026, 7, 11), True),  # three weeks: our own choice
        (date(2026, 3, 20), 7, None, date(2026, 8, 1), True),
        (date(2026, 3, 20), 7, date(2026, 5, 1), date(2026, 11, 25), True),
        (None, 7, date(2026, 5, 1), date(2026, 11, 25), True),
        (date(2026, 9, 1), 1, None, date(2027, 1, 10), False),  # south of the equator
        (date(2026, 9, 1), 1, None, date(2027, 1, 11), True),
        (date(2026, 9, 1), 1, None, date(2027, 2, 1), True),
        (None, 7, None, date(2026, 7, 10), False),
        (None, 7, None, date(2026, 11, 25), True),  # the season is that of the day
        (date(2028, 1, 20), 2, None, date(2028, 2, 8), False),
    ],
)
def test_a_tree_that_has_ripened_is_not_late(bloom, month, first_pass, day, over):
    """Common practice, no source: after its harvest a tree is not thinned."""
    asked = tree(
        "a", bloom_date=bloom, ripening_month=month, first_pass_on=first_pass, size_mm=33,
        southern=bloom is not None and bloom.month > 7,
    )  # fmt: skip
    (got,) = queue([asked], day)
    assert (got.state == "over") is over
    assert not (over and got.for_today)


def test_days_from_bloom_end_the_season_and_not_the_month():
    bloom, typed = date(2026, 3, 20), {"harvest_days": 120, "ripening_month": 8, "size_mm": 40}
    for day, state in ((date(2026, 6, 27), "late"), (date(2026, 6, 28), "over"),
                       (date(2026, 7, 15), "over")):  # fmt: skip
        got = line(day, bloom_date=bloom, **typed)
        assert (got.state, got.harvest.first) == (state, date(2026, 7, 18))
    assert "Too near harvest" in got.reason
    assert got.due is None
    # a warm first month moves the harvest and the end of thinning alike
    warm = line(date(2026, 6, 25), 8000, bloom_date=bloom, **typed)
    assert (warm.state, warm.harvest.first) == ("over", date(2026, 7, 11))
    assert "ended on 18 July 2026" in line(date(2026, 7, 19), bloom_date=bloom, **typed).reason
    # days that tell of an early variety make it one: NC State, no later than nickel size
    early = {"bloom_date": bloom, "harvest_days": 85, "ripening_month": None, "size_mm": 22}
    assert line(**early).state == "late"
    # a second pass that would come too near harvest is none
    last = line(date(2026, 6, 24), bloom_date=bloom, first_pass_on=date(2026, 6, 20), **typed)
    assert (last.state, last.due) == ("done", None)
    assert "too near" in last.reason


def test_names_sort_as_people_do():
    names = ["Row 10", "row 2", "Row 2", "Row 1b", "3", "20", "Row", ""]
    want = ["", "3", "20", "Row", "Row 1b", "Row 2", "row 2", "Row 10"]
    assert sorted(names, key=name_order) == want


def test_warm_month_says_earlier():
    assert "thin earlier" in line(size_mm=15, heat=7300).reason
    assert "thin earlier" not in line(size_mm=15, heat=5900).reason
    # 3.5 days for every 1,000 over 6,000 (Ben Mimoun & DeJong 1999, by a third party)
    bloom = TODAY - timedelta(days=50)
    assert line(bloom_date=bloom).state == "now"
    warm = line(bloom_date=bloom, heat=7000)
    assert (warm.state, warm.due.first) == ("late", TODAY)
    assert "usual 26-48" in warm.reason
    assert "usual 30-52" in line(bloom_date=bloom, heat=5000).reason


@given(st.integers(1, 12), st.integers(1, 12))
def test_hemispheres_mirror(one, two):
    spring = {False: date(2026, 5, 1), True: date(2026, 11, 1)}
    told = {}
    for south, day in spring.items():
        flip = [northern_month(m, southern=south) for m in (one, two)]  # its own inverse
        trees = [
            tree(name, ripening_month=m, size_mm=18, southern=south)
            for name, m in zip("ab", flip, strict=True)
        ]
        told[south] = states(trees, day)
    assert told[True] == told[False]


def test_harvest_is_told_from_bloom():
    # prunes, full bloom 18 March, 160 and 170 days (sacvalleyorchards.com): 25 August, 4 September
    prune = tree("a", species="european-plum", ripening_month=None, bloom_date=date(2026, 3, 18))
    got = harvest_days(prune)
    assert (got.first, got.last) == (date(2026, 8, 25), date(2026, 9, 4))
    assert day_words(got) == "25 August to 4 September"
    assert "sacvalleyorchards" in got.source
    # UC prune blog 2011: 28 March, 7,000-7,600 -> 29 August to 1 September
    own = tree("a", bloom_date=date(2011, 3, 28), harvest_days=160)
    warm = harvest_days(own, 7300)
    assert date(2011, 8, 29) <= warm.first == warm.last <= date(2011, 9, 1)
    assert day_words(warm) == "30 August"
    assert line(bloom_date=date(2026, 3, 20), harvest_days=120).harvest.first == date(2026, 7, 18)


def test_harvest_is_not_guessed():
    assert harvest_days(tree("a", bloom_date=TODAY)) is None  # no published days for peach
    assert harvest_days(tree("a", harvest_days=120)) is None  # no bloom date
    early = tree("a", species="european-plum", ripening_month=7, bloom_date=date(2026, 3, 18))
    assert harvest_days(early) is None  # the published days are for prunes


def test_passes_and_years_to_come_are_not_done_yet():
    done = {"first_pass_on": date(2026, 5, 3), "second_pass_on": date(2026, 5, 20)}
    bloom = date(2026, 3, 20)
    told = {day: line(date(2026, *day), bloom_date=bloom, **done).state
            for day in [(2, 1), (4, 1), (4, 15), (4, 25), (5, 3), (5, 17), (12, 9)]}  # fmt: skip
    assert list(told.values()) == [
        "too early", "too early", "soon", "now", "second pass later", "second pass due", "done",
    ]  # fmt: skip
    (old,) = queue([tree("a", size_mm=18)], TODAY, year=2025)
    assert (old.state, old.reason) == ("over", "Its season ended on 31 August 2025.")
    (next_,) = queue([tree("a", size_mm=18)], TODAY, year=2027)
    assert next_.state == "too early"


@pytest.mark.parametrize("southern", [False, True])
@pytest.mark.parametrize("facts", [{}, {"size_mm": 18}, {"ripening_month": None}])
def test_a_whole_year_day_by_day(southern, facts):
    """Every day has one answer, in the order of a season, and the calendar agrees with it."""
    shift, bloom = (184, date(2026, 9, 18)) if southern else (0, date(2026, 3, 18))
    month = northern_month(8, southern=southern)
    asked = tree(
        "a", **{"bloom_date": bloom, "southern": southern, "ripening_month": month} | facts
    )
    order = ["too early", "soon", "measure again", "now", "late", "over"]
    start, seen = date(2026, 1, 1) + timedelta(days=shift), []
    for k in range(365):
        day = start + timedelta(days=k)
        (got,) = queue([asked], day)
        if not seen or got.state != seen[-1]:
            seen.append(got.state)
        if got.for_today:
            assert got.due.first == day
        if got.due is not None:
            assert day <= got.due.first <= got.due.last
        assert (got.state == "over") == (got.due is None)
    if not facts.get("size_mm"):
        assert seen == [w for w in order if w != "measure again"]
    else:  # 18 mm: before bloom it cannot be, from 13 days after on it is the time
        assert seen == ["measure again", "now", "over"]


def test_a_day_outside_all_years_is_refused():
    with pytest.raises(BadInputError, match="year of day must be from 1800 to 2999"):
        queue([tree("a")], date(9999, 12, 31))


def test_weeks_are_filled_to_the_hours_there_are():
    bloom = TODAY - timedelta(days=40)
    lines = queue([tree(n, bloom_date=bloom, ripening_month=m) for n, m in
                   (("c", 9), ("a", 7), ("b", 8))], TODAY)  # fmt: skip
    hours = {"a": 4.0, "b": 4.0}
    (all_at_once,) = due_weeks(lines, TODAY, hours_by_tree=hours)
    assert all_at_once.trees == ("a", "b", "c")
    assert (all_at_once.hours, all_at_once.unknown_n, all_at_once.short_h) == (8, 1, 0)
    assert all_at_once.first == TODAY
    first, second = due_weeks(lines, TODAY, hours_by_tree=hours, hours_a_week=5)
    assert (first.trees, second.trees) == (("a", "c"), ("b",))
    assert second.first == date(2026, 5, 8)
    # 1 May is 40 days after bloom; the window ends on day 52, in the week from 8 May
    *_, last = due_weeks(lines, TODAY, hours_by_tree=dict.fromkeys("abc", 4.0), hours_a_week=3)
    assert (last.first, last.trees, last.short_h) == (date(2026, 5, 8), ("a", "b", "c"), 9)
    assert due_weeks([], TODAY, hours_by_tree={}) == []


def test_bad_trees_are_named():
    with pytest.raises(BadInputError, match="ripening_month"):
        tree("a", ripening_month=13)
    with pytest.raises(BadInputError, match="second_pass_on of a"):
        tree("a", first_pass_on=date(2026, 5, 2), second_pass_on=date(2026, 5, 1))
    with pytest.raises(BadInputError, match="name"):
        tree(" ")


def test_seasons_in_a_row():
    facts = [SeasonFacts(2025, 900, 300, 40.0, 140.0), SeasonFacts(2023, 700, 250, 30.0),
             SeasonFacts(2026, None, 280, 44.0, 150.0)]  # fmt: skip
    one, two = season_steps(facts)
    assert one[:4] == (2025, 2023, 50, 10)
    assert one[4] != one[4]
    assert two[:3] == (2026, 2025, -20)
    assert two[4] == 10
