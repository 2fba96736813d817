"""What a visitor has open: the records, the photos looked at, and their sheets."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from functools import partial
from typing import Any

import screen_engine as engine
import streamlit as st
from screen_launch import default_data_dir
from screen_outbox import Desk, take_box

import fruitcount.corrections as cx
from fruitcount.store.base import RevisionConflictError
from fruitcount.store.kept import Records, open_records
from fruitcount.store.orchard import load_trees
from fruitcount.types import Measurement

__all__ = [
    "answers_of",
    "desk_of",
    "do_box",
    "is_counted",
    "look_again",
    "receive",
    "records",
    "seen_of",
]


def records() -> Records:
    """The records, opened once for all visitors of this server."""
    return open_records(default_data_dir())


def seen_of(key: str) -> Measurement:
    """A photo's automatic result: kept, or measured now and kept."""
    held: dict[str, Measurement] = st.session_state.setdefault("_seen", {})
    if key not in held:
        measurement = records().measurement(key)
        if measurement is None:
            name = records().name(key)
            records().keep_seen(key, engine.measure_file(records().path(key), name))
            measurement = records().measurement(key)
        if measurement is None:
            raise RuntimeError("the result was not kept")
        held[key] = measurement
    return held[key]


def is_counted(key: str) -> bool:
    """Whether a photo's automatic result is there already."""
    return key in st.session_state.get("_seen", {}) or records().measurement(key) is not None


def desk_of(key: str) -> Desk:
    """The photo's sheet and history as this visitor last saw it, brought up to date."""
    held: dict[str, Desk] = st.session_state.setdefault("_desks", {})
    if key not in held:
        held[key] = Desk(cx.History.begin(cx.sheet_of(seen_of(key))))
    desk = held[key]
    desk.follow(records().steps(key, desk.history.revision))
    return desk


def answers_of(key: str) -> dict[str, Any]:
    """The grower's answers for this photo, as last given."""
    held: dict[str, dict[str, Any]] = st.session_state.setdefault("_facts", {})
    if key not in held:
        kept = records().inputs(key)
        held[key] = kept or _first_answers(key)
    return held[key]


def _first_answers(key: str) -> dict[str, Any]:
    """For a photo nobody answered for: what its tree tells, else what was said of the last one."""
    facts = dict(st.session_state.get("_last_facts", {"species": "peach"}))
    tree_id = records().tree_of(key)
    names = {number: name for name, number in records().trees().items()}
    for tree in load_trees(records().store) if tree_id else ():
        if tree.name == names.get(tree_id or 0):
            told = {"ripening_month": tree.ripening_month, "southern": tree.southern or None}
            facts |= {"species": tree.species} if tree.species else {}
            facts |= {name: value for name, value in told.items() if value}
    return facts


def receive(key: str, widget: str) -> None:
    """Do what the browser sent, keep it, and try again if another browser was first."""
    outbox = st.session_state[widget].outbox
    if not outbox or outbox.get("photo") != key:
        return
    for box in outbox.get("boxes", []):
        do_box(key, box)


def look_again(key: str) -> None:
    """Find the fruit anew at the scale set by hand: one step, which one undo takes back."""
    do_box(key, {"client": f"look-{uuid.uuid4().hex[:12]}", "items": [{"seq": 1, "again": True}]})


def do_box(key: str, box: Mapping[str, Any]) -> None:
    """Do what one browser, or the program itself, asks of a photo, and keep it."""
    resolve = partial(engine.resolve, seen_of(key), records().path(key))
    for _ in range(5):
        desk = desk_of(key)
        before = Desk(desk.history, dict(desk.acked), dict(desk.made), desk.message)
        events = take_box(desk, box, resolve)
        try:
            records().add_steps(key, events)
            return
        except RevisionConflictError:
            st.session_state["_desks"][key] = before
