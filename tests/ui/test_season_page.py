"""The season page through whole years, north and south, and with weather files."""

from __future__ import annotations

import datetime
from datetime import date, timedelta

import page_season
import pytest
import screen_cache
from screen_launch import DATA_VARIABLE
from streamlit.testing.v1 import AppTest

from fruitcount.jobs.season import season_book, season_lines
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.kept import open_records
from fruitcount.store.orchard import load_trees, save_tree


@pytest.fixture
def data(tmp_path, monkeypatch):
    monkeypatch.setenv(DATA_VARIABLE, str(tmp_path))
    return tmp_path


@pytest.fixture
def on(monkeypatch):
    """Sets the day that the page takes for today."""

    def set_day(day):
        class Day(datetime.date):
            @classmethod
            def today(cls):
                return day

        for module in (page_season, screen_cache):
            monkeypatch.setattr(module, "date", Day)

    return set_day


def page():
    return AppTest.from_string("import page_season\npage_season.show()\n", default_timeout=60)


def words(app):
    assert not app.exception
    shown = [*app.markdown, *app.subheader, *app.info, *app.warning, *app.error, *app.caption]
    return "\n".join(str(e.value) for e in shown)


def orchard_of(data, southern):
    """Three invented peach trees that bloom six months apart in the two hemispheres."""
    bloom = date(2025, 9, 26) if southern else date(2025, 3, 26)
    store = open_records(data).store
    for k in range(3):
        tree = OrchardTree(
            f"t{k}", "peach", bloom_date=bloom + timedelta(days=7 * k), southern=southern,
            ripening_month=2 if southern else 8, harvest_days=130,
        )  # fmt: skip
        save_tree(store, tree, year=2025)
    return store, bloom


def due_after(k):
    """Trees due so many days after the first one's bloom.

    From 30 days after bloom on (Marini 2003; Univ. Georgia, ten days either side) to three weeks
    before harvest, 130 days after bloom; the three weeks are our own choice.
    """
    return sum(30 <= k - later <= 109 for later in (0, 7, 14))


@pytest.mark.parametrize("southern", [False, True])
def test_every_day_of_a_season_in_the_records(data, southern):
    """No tree loses its season at New Year, and each is due on the same days in both halves."""
    store, bloom = orchard_of(data, southern)
    due = {}
    for k in range(-60, 305):
        day = bloom + timedelta(days=k)
        book = season_book(load_trees(store, day=day), day)
        if day.year == 2025 or (southern and day.month < 7):
            assert book.year == 2025
            assert all(t.line.tree.bloom_date for t in book.trees)
            due[k] = sum(line.for_today for line in book.lines)
    for k, n in due.items():
        assert n == due_after(k), k


@pytest.mark.parametrize("southern", [False, True])
def test_the_page_through_a_year(data, on, southern):
    store, bloom = orchard_of(data, southern)
    for after in (0, 29, 30, 44, 96, 97, 101, 110, 123, 124, 155, 270):
        day = bloom + timedelta(days=after)
        on(day)
        app = page().run()
        due = due_after(after)
        assert app.header[0].value == f"{due or 'None'} of 3 trees due now", day
        # the command says the same
        (told, *_) = season_lines(season_book(load_trees(store, day=day), day))
        assert told == app.header[0].value + ".", day
        assert ("Next: t0, from" in words(app)) == (after < 30)
        # a drawer with nothing in it is not shown
        assert any(e.label.startswith("Not due now") for e in app.expander) == (due < 3)
        (year,) = [n for n in app.number_input if n.label.startswith("Season")]
        assert year.value == 2025
    # the season before can be looked at, as it was kept
    year.set_value(2024).run()
    ended = "28 February 2025" if southern else "31 August 2024"
    assert f"Its season ended on {ended}." in words(app).replace("\\", "")


def test_what_is_marked_done_in_january_goes_to_the_season_of_its_bloom(data, on):
    store, _ = orchard_of(data, southern=True)
    on(date(2026, 1, 5))
    app = page().run()
    next(b for b in app.button if b.label == "First pass done").click().run()
    done = [t for t in load_trees(store, year=2025) if t.first_pass_on]
    assert [t.first_pass_on for t in done] == [date(2026, 1, 5)]
    assert not any(t.first_pass_on for t in load_trees(store, year=2026))
    assert "1 done" in words(app)  # harvest is too near for a second pass


def test_harvest_is_told_on_the_page(data, on):
    orchard_of(data, southern=False)
    on(date(2025, 4, 28))
    # 26 March and 130 days
    assert "Harvest about 3 August" in words(page().run())


def test_weeks_ask_for_what_they_lack(data, on):
    orchard_of(data, southern=False)
    on(date(2025, 4, 28))
    app = page().run()
    said = words(app)
    assert "**From 28 April 2025: hours not known**  \nt0; t1" in said.replace("\\", "")
    assert "once your pace is typed" in said
    next(n for n in app.number_input if n.label.startswith("Hours")).set_value(4.0).run()
    assert not app.exception


def test_a_tree_is_not_added_over_another(data, on):
    store, _ = orchard_of(data, southern=False)
    on(date(2025, 4, 28))
    app = page().run()
    next(t for t in app.text_input if t.label == "Name or place").set_value(" t0 ")
    next(b for b in app.button if b.form_id == "new").click().run()
    assert "There is a tree of that name" in words(app).replace("\\", "")
    assert load_trees(store, year=2025)[0].bloom_date == date(2025, 3, 26)
