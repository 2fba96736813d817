"""What browsers send: once each, in order, never on a stale picture; kept across a restart."""

from __future__ import annotations

import sqlite3
from dataclasses import replace

import pytest
import screen_cache
import streamlit
from conftest import keep_counted
from screen_outbox import NOTHING_OWN, REFUSED, UNDO_REFUSED, EditSession, take_batch

import fruitcount.corrections as cx
from fruitcount.errors import RecordError
from fruitcount.store.base import RevisionConflictError
from fruitcount.store.kept import open_records

A1 = cx.Mark("a1", 10, 10, 5)


def _session():
    return EditSession(cx.History.begin(cx.Sheet((A1,))))


def _add(seq, name):
    return {"seq": seq, "do": cx.edit_to_json(cx.Add(cx.Mark(name, 1, 1, 3)))}


def _no(*_):
    raise AssertionError("not asked")


def test_an_item_sent_twice_is_done_once():
    session = _session()
    batch = {"client": "one", "items": [_add(1, "h1-1"), _add(2, "h1-2")]}
    assert len(take_batch(session, batch, _no)) == 2
    assert take_batch(session, batch, _no) == []
    assert len(session.history.sheet.marks) == 3


def test_a_stale_edit_is_refused_aloud_and_acknowledged():
    session = _session()
    take_batch(
        session, {"client": "one", "items": [{"seq": 1, "do": cx.edit_to_json(cx.Remove(A1))}]}, _no
    )
    late = cx.Change(A1, replace(A1, kind="damaged", on_limb=1, by_hand=True), "label")
    events = take_batch(
        session,
        {"client": "two", "items": [{"seq": 1, "do": cx.edit_to_json(late)}, _add(2, "h2-1")]},
        _no,
    )
    assert [e.seq for e in events] == [2]
    assert session.message == REFUSED
    assert session.acked == {"one": 1, "two": 2}


def test_what_could_not_be_stored_stays_with_the_browser(tmp_path, monkeypatch):
    monkeypatch.setenv("FRUITCOUNT_DATA", str(tmp_path))
    monkeypatch.setattr("fruitcount.store.base._BUSY_S", 0.1)
    monkeypatch.setattr(streamlit, "session_state", {})
    key = keep_counted(tmp_path, 20, (400, 300))
    holder = sqlite3.connect(tmp_path / "records.db", isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    screen_cache.do_batch(key, {"client": "one", "items": [_add(1, "h1-1")]})
    session = screen_cache.session_of(key)
    assert "locked" in session.message
    assert session.acked == {}  # so the browser sends it again
    holder.close()
    screen_cache.do_batch(key, {"client": "one", "items": [_add(1, "h1-1"), _add(2, "h1-2")]})
    assert [step.seq for step in open_records(tmp_path).steps(key)] == [1, 2]
    open_records(tmp_path).store.close()


def test_undo_takes_back_ones_own_edit_and_never_the_others(tmp_path):
    records = open_records(tmp_path)
    key = records.add_photo(b"not really a photo", "name.jpg")
    session = _session()

    def send(client, *items):
        events = take_batch(session, {"client": client, "items": list(items)}, _no)
        records.add_steps(key, events)
        return [m.id for m in session.history.sheet.marks]

    def undo(seq):
        return {"seq": seq, "undo": True}

    send("ann-1", _add(1, "h1-1"), _add(2, "h1-2"))
    send("ben-1", _add(1, "h2-1"))
    assert send("ann-1", undo(3)) == ["a1", "h1-1", "h2-1"]
    # another visit of the same person, after all was read anew from the records
    again = _session()
    again.follow(records.steps(key))
    assert (again.history, again.owners) == (session.history, session.owners)
    assert send("ann-2", undo(1)) == ["a1", "h2-1"]
    assert send("ann-2", undo(2)) == ["a1", "h2-1"]
    assert session.message == NOTHING_OWN
    assert send("ben-1", undo(2)) == ["a1"]


def test_what_another_changed_since_is_not_undone():
    session, mine = _session(), cx.Mark("h1-1", 1, 1, 3)
    take_batch(session, {"client": "ann-1", "items": [_add(1, "h1-1")]}, _no)
    grown = cx.Change(mine, replace(mine, kind="damaged", on_limb=1, by_hand=True), "label")
    items = [{"seq": 1, "do": cx.edit_to_json(grown)}]
    take_batch(session, {"client": "ben-1", "items": items}, _no)
    assert take_batch(session, {"client": "ann-1", "items": [{"seq": 2, "undo": True}]}, _no) == []
    assert session.message == UNDO_REFUSED


@pytest.mark.parametrize("batch", [{}, {"client": "x", "items": "no"}, {"client": "", "items": []}])
def test_broken_boxes_do_nothing(batch):
    assert take_batch(_session(), batch, _no) == []


def test_broken_items_are_told_and_passed_over():
    session = _session()
    events = take_batch(
        session,
        {
            "client": "x",
            "items": [{"seq": 1, "do": {"edit": "paint"}}, {"seq": 2, "what": 1}, _add(3, "hx-1")],
        },
        _no,
    )
    assert [e.seq for e in events] == [3]
    assert session.message


def test_steps_survive_and_two_writers_cannot_share_a_revision(tmp_path):
    records = open_records(tmp_path)
    key = records.add_photo(b"not really a photo", "../../name.jpg")
    assert records.name(key) == "name.jpg"
    session = _session()
    items = [
        _add(1, "h1-1"),
        {"seq": 2, "undo": True, "base": 1},
        {"seq": 3, "redo": True, "base": 2},
    ]
    records.add_steps(key, take_batch(session, {"client": "one", "items": items}, _no))
    again = _session()
    again.follow(records.steps(key))
    assert again.history == session.history
    assert again.acked == {"one": 3}
    late = take_batch(_session(), {"client": "two", "items": [_add(1, "h2-1")]}, _no)
    with pytest.raises(RevisionConflictError):
        records.add_steps(key, late)
    assert len(records.steps(key)) == 3
    records.forget(key)
    with pytest.raises(RecordError):
        records.path(key)


@pytest.mark.parametrize("key", ["", "../records.db", "0" * 63, "%2e%2e"])
def test_a_key_that_is_no_hash_finds_nothing(tmp_path, key):
    with pytest.raises(RecordError):
        open_records(tmp_path).path(key)
