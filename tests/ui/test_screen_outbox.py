"""What browsers send: once each, in order, never on a stale picture; kept across a restart."""

from __future__ import annotations

import pytest
from screen_outbox import REFUSED, UNDO_REFUSED, Desk, take_box

import fruitcount.corrections as cx
from fruitcount.errors import RecordError
from fruitcount.store.base import RevisionConflictError
from fruitcount.store.kept import open_records

A1 = cx.Mark("a1", 10, 10, 5)


def _desk():
    return Desk(cx.History.begin(cx.Sheet((A1,))))


def _add(seq, name):
    return {"seq": seq, "do": cx.edit_to_json(cx.Add(cx.Mark(name, 1, 1, 3)))}


def _no(*_):
    raise AssertionError("not asked")


def test_an_item_sent_twice_is_done_once():
    desk = _desk()
    box = {"client": "one", "items": [_add(1, "h1-1"), _add(2, "h1-2")]}
    assert len(take_box(desk, box, _no)) == 2
    assert take_box(desk, box, _no) == []
    assert len(desk.history.sheet.marks) == 3


def test_a_stale_edit_is_refused_aloud_and_acknowledged():
    desk = _desk()
    take_box(
        desk, {"client": "one", "items": [{"seq": 1, "do": cx.edit_to_json(cx.Remove(A1))}]}, _no
    )
    late = cx.Change(A1, cx.with_label(A1, "damaged"), "label")
    events = take_box(
        desk,
        {"client": "two", "items": [{"seq": 1, "do": cx.edit_to_json(late)}, _add(2, "h2-1")]},
        _no,
    )
    assert [e.seq for e in events] == [2]
    assert desk.message == REFUSED
    assert desk.acked == {"one": 1, "two": 2}


def test_undo_never_takes_back_what_another_browser_did_unseen():
    desk = _desk()
    take_box(desk, {"client": "one", "items": [_add(1, "h1-1")]}, _no)
    take_box(desk, {"client": "two", "items": [_add(1, "h2-1")]}, _no)
    assert (
        take_box(desk, {"client": "one", "items": [{"seq": 2, "undo": True, "base": 1}]}, _no) == []
    )
    assert desk.message == UNDO_REFUSED
    assert (
        len(take_box(desk, {"client": "one", "items": [{"seq": 3, "undo": True, "base": 2}]}, _no))
        == 1
    )


@pytest.mark.parametrize("box", [{}, {"client": "x", "items": "no"}, {"client": "", "items": []}])
def test_broken_boxes_do_nothing(box):
    assert take_box(_desk(), box, _no) == []


def test_broken_items_are_told_and_passed_over():
    desk = _desk()
    events = take_box(
        desk,
        {
            "client": "x",
            "items": [{"seq": 1, "do": {"edit": "paint"}}, {"seq": 2, "what": 1}, _add(3, "hx-1")],
        },
        _no,
    )
    assert [e.seq for e in events] == [3]
    assert desk.message


def test_steps_survive_and_two_writers_cannot_share_a_revision(tmp_path):
    records = open_records(tmp_path)
    key = records.add_photo(b"not really a photo", "../../name.jpg")
    assert records.name(key) == "name.jpg"
    desk = _desk()
    items = [
        _add(1, "h1-1"),
        {"seq": 2, "undo": True, "base": 1},
        {"seq": 3, "redo": True, "base": 2},
    ]
    records.add_steps(key, take_box(desk, {"client": "one", "items": items}, _no))
    again = _desk()
    again.follow(records.steps(key))
    assert again.history == desk.history
    assert again.acked == {"one": 3}
    late = take_box(_desk(), {"client": "two", "items": [_add(1, "h2-1")]}, _no)
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
