"""The calendar read back by a general library."""

from datetime import UTC, date, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fruitcount.export.ical import calendar_bytes
from fruitcount.season.orchard import OrchardTree
from fruitcount.season.queue import queue

icalendar = pytest.importorskip("icalendar")
STAMP = datetime(2026, 4, 20, 6, 30, tzinfo=UTC)
TODAY = date(2026, 4, 20)


def entries(trees):
    text = calendar_bytes(queue(trees, TODAY), today=TODAY, stamp=STAMP).decode()
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    assert "\n" not in text.replace("\r\n", "")
    calendar = icalendar.Calendar.from_ical(text)
    assert not calendar.errors
    assert calendar["VERSION"] == "2.0"
    assert not [e for e in calendar.walk("VEVENT") if e.errors]
    return list(calendar.walk("VEVENT"))


def test_window_and_second_pass():
    trees = [
        OrchardTree("North 4", "peach", "white, early; sweet", "Hill", ripening_month=7,
                    bloom_date=date(2026, 3, 21)),
        OrchardTree("North 5", "peach", first_pass_on=date(2026, 4, 10)),
        OrchardTree("North 6", "peach", size_mm=20),
        OrchardTree("North 7", "peach", leave_it=True, size_mm=20),
        OrchardTree("North 8", "peach"),
    ]  # fmt: skip
    got = {str(e["SUMMARY"]): e for e in entries(trees)}
    assert set(got) == {
        "Thin: North 4 (white, early; sweet)", "Second thinning pass: North 5", "Thin: North 6",
    }  # fmt: skip
    first = got["Thin: North 4 (white, early; sweet)"]
    assert first["DTSTART"].dt == TODAY
    assert first["DTEND"].dt == date(2026, 5, 13)  # the day after the last
    assert first["LOCATION"] == "Hill"
    assert first["DTSTAMP"].dt == STAMP
    assert got["Second thinning pass: North 5"]["DTSTART"].dt == date(2026, 4, 24)
    assert got["Thin: North 6"]["DTSTART"].dt == TODAY


def test_harvest_days_are_in_it_even_when_thinning_is_done():
    passes = {"first_pass_on": date(2026, 4, 1), "second_pass_on": date(2026, 4, 15)}
    done = OrchardTree("a", "peach", bloom_date=date(2026, 3, 1), harvest_days=150, **passes)
    (entry,) = entries([done])
    assert str(entry["SUMMARY"]) == "Harvest likely: a"
    assert entry["DTSTART"].dt == date(2026, 7, 29)
    assert "your days from bloom" in entry["DESCRIPTION"]


def test_nothing_to_put_in_gives_no_calendar():
    trees = [OrchardTree("a", "peach", leave_it=True, size_mm=20), OrchardTree("b", "peach")]
    assert calendar_bytes(queue(trees, TODAY), today=TODAY) == b""
    assert calendar_bytes([], today=TODAY) == b""


def test_control_characters_do_not_stay():
    (entry,) = entries([OrchardTree("a\x07\x1bb", "peach", size_mm=20)])
    assert str(entry["SUMMARY"]) == "Thin: a\ufffd\ufffdb"


def test_numbers_stay():
    trees = [OrchardTree("a", "peach", size_mm=20), OrchardTree("b", "peach", size_mm=20)]
    one, two = entries(trees), entries(trees[::-1])
    assert {e["UID"] for e in one} == {e["UID"] for e in two}
    assert len({e["UID"] for e in one}) == 2


letters = st.text(
    st.characters(exclude_categories=["Cs", "Cc"], include_characters=",;\\:"), max_size=90
)


@settings(max_examples=60, deadline=None)
@given(letters)
def test_any_name_survives(name):
    tree = OrchardTree(f"x{name}x", "peach", size_mm=20)
    (entry,) = entries([tree])
    assert str(entry["SUMMARY"]) == f"Thin: {tree.name}"  # no sign that breaks or turns a line
    assert len(tree.name) == len(name) + 2
