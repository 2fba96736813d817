"""Each page through Streamlit's own driver: first visit, a counted photo, a tree, a season."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

import page_limb
import pytest
import screen_engine
import screen_start
import screen_words
from conftest import keep_counted
from screen_launch import DATA_VARIABLE
from streamlit.testing.v1 import AppTest

from fruitcount.season.orchard import OrchardTree
from fruitcount.store import kept
from fruitcount.store.kept import open_records
from fruitcount.store.orchard import load_trees, save_tree

APP = Path(__file__).resolve().parents[2] / "ui" / "app.py"
PAGES = {name: APP.with_name(f"page_{name}.py") for name in ("limb", "tree", "season")}


@pytest.fixture
def data(tmp_path, monkeypatch):
    monkeypatch.setenv(DATA_VARIABLE, str(tmp_path))
    return tmp_path


def _page(name: str) -> AppTest:
    """One page by itself: the driver cannot follow pages made from functions."""
    return AppTest.from_string(f"import page_{name}\npage_{name}.show()\n", default_timeout=60)


def _words(app: AppTest) -> str:
    shown = [*app.markdown, *app.header, *app.subheader, *app.info, *app.warning, *app.error]
    return "\n".join(str(e.value) for e in (*shown, *app.caption))


def _keep(app: AppTest) -> int:
    """The number in the drawer of sources, where every number of the plan stands."""
    return int(re.search(r"\*\*keep: (\d+)", _words(app))[1])


def test_the_whole_app_starts(data):
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    assert not app.exception
    assert "How many fruit should stay" in _words(app)


def test_first_visit_says_what_to_do(data):
    app = _page("limb").run()
    assert not app.exception
    words = _words(app)
    assert "scale card" in words
    assert "Nothing here yet" in words
    assert "Try a sample limb" in [b.label for b in app.button]


def test_a_photo_that_is_not_there_is_told_in_plain_words(data):
    app = _page("limb")
    app.query_params["photo"] = "0" * 64
    app.run()
    assert not app.exception
    assert "no such photo" in _words(app)


BREAK = {
    "text": lambda path: path.write_text("my records " * 999),
    "zeros": lambda path: path.write_bytes(path.read_bytes()[:4096] + bytes(99999)),
    "a folder": lambda path: (path.unlink(), path.mkdir()),
    "no table of trees": lambda path: _change(path, "DROP TABLE tree"),
    "of a newer program": lambda path: _change(path, "UPDATE meta SET value=9999"),
}


def _change(path: Path, line: str) -> None:
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute(line)


@pytest.mark.parametrize("how", BREAK)
def test_records_that_break_are_told_of_on_every_page(data, how):
    key = keep_counted(data, 20, (400, 300))
    save_tree(open_records(data).store, OrchardTree("North"), year=date.today().year)
    open_records(data).store.close()
    if how in ("a folder", "of a newer program"):  # the others break while the screen runs
        kept._opened.cache_clear()
    BREAK[how](data / "records.db")
    before = [(p.name, p.is_file() and p.read_bytes()) for p in sorted(data.glob("*.db"))]
    for page, query in (("limb", {}), ("limb", {"photo": key}), ("tree", {"tree": "North"}),
                        ("season", {})):  # fmt: skip
        app = _page(page)
        for name, value in query.items():
            app.query_params[name] = value
        app.run()
        assert not app.exception
        assert [e for e in app.error if "records.db" in e.value.replace("\\", "")], page
    assert [(p.name, p.is_file() and p.read_bytes()) for p in sorted(data.glob("*.db"))] == before


def test_answers_change_the_keep_count_and_are_kept(data):
    key = keep_counted(data, 20, (1600, 1200))
    app = _page("limb")
    app.query_params["photo"] = key
    app.run()
    assert not app.exception
    assert "published spacing" in _words(app)
    assert "let nobody stand beneath" in _words(app)
    next(s for s in app.selectbox if s.label == "Pass").set_value(2).run()
    before = _keep(app)
    spacing = next(n for n in app.number_input if n.label == "Spacing wanted, cm")
    spacing.set_value(30.0).run()
    assert not app.exception
    assert _keep(app) < before
    next(s for s in app.selectbox if s.label == "Species").set_value("sweet-cherry").run()
    assert "not thinned" in _words(app)
    again = _page("limb")
    again.query_params["photo"] = key
    again.run()
    assert next(s for s in again.selectbox if s.label == "Species").value == "sweet-cherry"


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"verdict": "thin", "keep_n": 8, "count_n": 28}, "Keep 8 of 28"),
        ({"verdict": "leave", "keep_n": 6, "count_n": 6}, "Leave all 6"),
        # without a scale some fruit are proposed, but the number to keep is not told
        ({"verdict": "cannot tell", "keep_n": 14, "count_n": 31},
         "31 fruit, how many to keep not known"),
        ({"verdict": "cannot tell", "keep_n": None, "count_n": None}, "Cannot tell"),
        ({}, ""),
    ],
)  # fmt: skip
def test_a_photo_in_a_list_says_no_more_than_was_told(told, words):
    assert screen_words.count_words(told) == words


def test_inches_are_shown_when_asked_for(data):
    key = keep_counted(data, 20, (1600, 1200))
    app = _page("limb")
    app.query_params["photo"] = key
    app.query_params["units"] = "us"
    app.run()
    assert not app.exception
    assert "Spacing wanted, in" in [n.label for n in app.number_input]
    assert " lb " in _words(app)


def test_a_tree_is_named_and_then_asks_for_photos(data):
    app = _page("tree").run()
    assert "Name the tree first" in _words(app)
    app.text_input[0].set_value("Row 1 <b>tree</b>")
    next(b for b in app.button if b.label == "Add it").click().run()
    assert not app.exception
    assert "No photos of this tree yet" in _words(app)


def test_a_season_asks_for_trees_then_says_what_is_due(data):
    app = _page("season").run()
    assert not app.exception
    assert "No trees yet" in _words(app)
    next(t for t in app.text_input if t.label == "Name or place").set_value("Old *peach*")
    next(b for b in app.button if b.label == "Save").click().run()
    assert not app.exception
    assert "Old \\*peach\\*" in _words(app)


def test_a_trees_species_and_ripening_month_can_be_changed(data):
    app = _page("season").run()
    next(t for t in app.text_input if t.label == "Name or place").set_value("Gate")
    next(b for b in app.button if b.label == "Save").click().run()
    # the first such box belongs to the form for a new tree, the last to "Change it"
    [s for s in app.selectbox if s.label == "Species"][-1].set_value("apricot")
    [s for s in app.selectbox if s.label == "Ripens in"][-1].set_value("June")
    next(b for b in app.button if b.form_id == "treeGate").click().run()
    assert not app.exception
    (tree,) = load_trees(open_records(data).store, year=date.today().year)
    assert (tree.species, tree.ripening_month) == ("apricot", 6)


def test_a_photo_is_put_on_a_limb_of_its_tree(data):
    key = keep_counted(data, 20, (1600, 1200))
    records = open_records(data)
    tree_id = save_tree(records.store, OrchardTree("Gate"), year=date.today().year)
    records.put_in_tree(key, tree_id)
    for _ in range(2):  # the second time the limb is there already
        records.put_on_limb(key, "low", "front", "before")
    (line,) = records.photos(tree_id)
    assert (line.limb, line.side, line.moment) == ("low", "front", "before")
    app = _page("tree")
    app.query_params["tree"] = "Gate"
    app.run()
    assert not app.exception
    assert "Limb low, front, before" in _words(app)
    assert any(b.label == "Count 1 that wait" for b in app.button)


def test_each_limb_has_its_history_before_and_after(data):
    records = open_records(data)
    tree_id = save_tree(records.store, OrchardTree("Gate"), year=date.today().year)
    for n, keep, moment in ((20, 8, "before"), (12, 8, "after")):
        key = keep_counted(data, n, (800, 600))
        records.put_in_tree(key, tree_id)
        records.put_on_limb(key, "low", "", moment)
        records.keep_result(key, 0, {}, {"count_n": n, "keep_n": keep, "verdict": "thin"})
    app = _page("season").run()
    assert not app.exception
    words = _words(app)
    assert "**Limb low**" in words
    assert re.search(r"\| \*\*20\*\* \(.*\) \| \*\*8\*\* \| \*\*12\*\*", words)
    assert "8 off, 4 still to take off" in words


def test_a_tree_is_named_once_and_what_it_is_told_once(data):
    """The next photo of the day is on it, starts with its answers, and the season knows them."""
    records = open_records(data)
    first, second = (keep_counted(data, n, (800, 600)) for n in (20, 12))
    page_limb.tell_tree(OrchardTree("Gate"), {"species": "apricot", "ripening_month": 7})
    records.put_in_tree(first, records.trees()["Gate"])
    before = next(line for line in records.photos() if line.key == first)
    screen_start.stay_on_tree(second, before)
    assert records.tree_of(second) == records.trees()["Gate"]
    told = screen_engine.first_answers(records, second, {"species": "peach"})
    assert (told["species"], told["ripening_month"]) == ("apricot", 7)
    (tree,) = load_trees(records.store, day=date.today())
    assert (tree.species, tree.ripening_month) == ("apricot", 7)
    screen_start.stay_on_tree(second, replace(before, saved_at="2020-01-01T00:00:00", tree_id=9))
    assert records.tree_of(second) == records.trees()["Gate"]
    assert screen_words.photo_words(before, "Gate").startswith("Gate, photo ")
