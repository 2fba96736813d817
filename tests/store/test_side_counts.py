"""The fruit recognised on both sides of a limb: kept with the two photos, gone with either."""

from __future__ import annotations

import sqlite3

import pytest
from sqlalchemy import func, select
from store_facts import TREE

from fruitcount.errors import BadInputError, RecordError
from fruitcount.jobs.tree_source import records_source
from fruitcount.store.base import reading
from fruitcount.store.limbs import load_side_counts, save_limb, save_side_count
from fruitcount.store.orchard import delete_tree, save_tree
from fruitcount.store.photo_record import save_decision
from fruitcount.store.photos import PhotoPlace, delete_photo, save_photo, set_photo_place
from fruitcount.store.tables import SideCountRow
from fruitcount.tree.both_sides import BothSides
from fruitcount.tree.plan import plan_tree


@pytest.fixture
def pair(store):
    tree = save_tree(store, TREE, year=2026)
    limb = save_limb(store, tree, name="1", base_diameter_mm=30.0)
    front = save_photo(store, b"f", name="f.jpg", place=PhotoPlace(tree, limb, "front"))
    back = save_photo(store, b"b", name="b.jpg", place=PhotoPlace(tree, limb, "back"))
    save_side_count(store, front, back, both_n=12)
    return tree, limb, front, back


def _rows(store):
    with reading(store) as session:
        return session.scalar(select(func.count()).select_from(SideCountRow))


def test_told_anew_turned_round_and_taken_back(store, pair):
    tree, _, front, back = pair
    assert load_side_counts(store, tree) == {frozenset((front, back)): 12}
    save_side_count(store, back, front, both_n=9)  # the sides were swapped
    assert load_side_counts(store, tree) == {frozenset((front, back)): 9}
    assert _rows(store) == 1
    save_side_count(store, front, back, both_n=0)
    assert load_side_counts(store, tree) == {frozenset((front, back)): 0}  # none is not "not told"
    save_side_count(store, front, back, both_n=None)
    assert _rows(store) == 0


def test_what_cannot_be(store, pair):
    _, _, front, _ = pair
    with pytest.raises(BadInputError, match="two photos"):
        save_side_count(store, front, front, both_n=1)
    with pytest.raises(BadInputError, match="both_n"):
        save_side_count(store, front, front + 1, both_n=-1)
    with pytest.raises(RecordError, match="no photo number 99"):
        save_side_count(store, front, 99, both_n=1)


@pytest.mark.parametrize("which", ["front", "back", "tree"])
def test_it_goes_with_its_photos(store, pair, which):
    tree, _, front, back = pair
    {
        "front": lambda: delete_photo(store, front),
        "back": lambda: delete_photo(store, back),
        "tree": lambda: delete_tree(store, tree),
    }[which]()
    assert _rows(store) == 0


def test_a_number_taken_back_is_not_left_in_the_file(tmp_path):
    """SQLite leaves deleted rows in free pages unless told otherwise (secure_delete)."""
    from fruitcount.store.base import open_store

    store = open_store(tmp_path / "o.db")
    ids = [save_photo(store, b"%d" % i) for i in range(2)]
    save_side_count(store, *ids, both_n=77_123_456)
    mark = (77_123_456).to_bytes(4, "big")
    sqlite3.connect(tmp_path / "o.db").execute("PRAGMA wal_checkpoint(TRUNCATE)").connection.close()
    assert mark in (tmp_path / "o.db").read_bytes()
    save_side_count(store, *ids, both_n=None)
    store.close()
    left = [p.read_bytes() for p in tmp_path.glob("o.db*")]
    assert not any(mark in data for data in left)


def _count(store, number, crop_count):
    told = {"verdict": "thin", "count_n": crop_count, "base_diameter_mm": 30.0}
    save_decision(store, number, revision=0, inputs={}, decision=told)


def test_the_records_tell_the_tree(store, pair):
    """Chapman (1951): (24 + 1)(20 + 1)/(12 + 1) - 1 = 39.4 on the one limb there is."""
    from datetime import date

    _, _, front, back = pair
    _count(store, front, 24)
    _count(store, back, 20)
    source = records_source(store, year=date.today().year)
    facts = source.facts[TREE.name]
    assert facts.both_sides == (BothSides("1", 24, 20, 12),)
    answer = plan_tree(source.rows, TREE.name, facts)
    assert answer.sheet.total.value_n == pytest.approx(25 * 21 / 13 - 1)
    # corrected since: the back shows fewer than were on both, so the number is used no more
    _count(store, back, 11)
    facts = records_source(store, year=date.today().year).facts[TREE.name]
    assert facts.both_sides == ()
    assert "its photos now show 24 and 11" in facts.remarks[0]
    answer = plan_tree(source.rows, TREE.name, facts)
    assert facts.remarks[0] in answer.notes
    set_photo_place(store, back, moment="after")
    facts = records_source(store, year=date.today().year).facts[TREE.name]
    assert (facts.both_sides, facts.remarks) == ((), ())  # before and after are no pair
