"""What a visitor has open: the records, the photos looked at, and their sheets."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from contextlib import suppress
from datetime import date
from functools import partial
from typing import Any

import screen_engine as engine
import streamlit as st
from screen_outbox import EditSession, take_batch

import fruitcount.corrections as cx
from fruitcount.errors import FruitcountError, RecordError
from fruitcount.pipeline import Result
from fruitcount.results import result_row
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.base import RevisionConflictError, data_folder
from fruitcount.store.kept import Records, open_records
from fruitcount.store.orchard import load_trees, save_tree
from fruitcount.types import Measurement
from fruitcount.units import season_year


def records() -> Records:
    """The records, opened once for all visitors of this server."""
    return open_records(data_folder())


def tree_named(name: str) -> OrchardTree:
    """A tree as it is in this season; nothing is known of one that is not there."""
    trees = load_trees(records().store)
    return next((t for t in trees if t.name == name), OrchardTree(name))


def season_of(tree: OrchardTree) -> int:
    """The season that this day lies in for a tree: in the south last spring's until July."""
    return season_year(date.today(), southern=tree.southern)


def keep_tree(tree: OrchardTree, year: int | None = None) -> None:
    """Keep what a tree was told in that season, by default today's."""
    save_tree(records().store, tree, year=season_of(tree) if year is None else year)


def seen_of(key: str) -> Measurement:
    """A photo's automatic result: kept, or measured now and kept."""
    held: dict[str, Measurement] = st.session_state.setdefault("_seen", {})
    if key not in held:
        held[key] = engine.counted(records(), key)
    return held[key]


def is_counted(key: str) -> bool:
    """Whether a photo's automatic result is there already."""
    return key in st.session_state.get("_seen", {}) or records().measurement(key) is not None


def session_of(key: str) -> EditSession:
    """The photo's sheet and history as this visitor last saw it, brought up to date."""
    held: dict[str, EditSession] = st.session_state.setdefault("_sessions", {})
    if key not in held:
        held[key] = EditSession(cx.History.begin(cx.sheet_of(seen_of(key))))
    session = held[key]
    session.follow(records().steps(key, session.history.revision))
    return session


def answers_of(key: str) -> dict[str, Any]:
    """The grower's answers for this photo, as last given."""
    held: dict[str, dict[str, Any]] = st.session_state.setdefault("_facts", {})
    if key not in held:
        last = st.session_state.get("_last_facts", {})
        held[key] = records().inputs(key) or engine.first_answers(records(), key, last)
    return held[key]


def decided(key: str, facts: Mapping[str, Any] | None = None) -> Result:
    """What is decided on a photo as this visitor sees it."""
    facts = answers_of(key) if facts is None else facts
    sheet, path = session_of(key).history.sheet, records().path(key)
    return engine.result(engine.corrected(seen_of(key), sheet, path, facts), facts)


def keep_decided(key: str) -> None:
    """Keep what is decided on a photo, with the answers it rests on."""
    numbers = result_row(decided(key)).values()
    records().keep_result(key, session_of(key).history.revision, answers_of(key), numbers)


def receive(key: str, widget: str) -> None:
    """Do what the browser sent, keep it, and try again if another browser was first."""
    outbox = st.session_state[widget].outbox
    if not outbox or outbox.get("photo") != key:
        return
    with suppress(FruitcountError):  # the page reads the records next, and tells what is wrong
        for batch in outbox.get("boxes", []):
            do_batch(key, batch)


def look_again(key: str) -> None:
    """Find the fruit anew at the scale set by hand: one step, which one undo takes back."""
    do_batch(key, {"client": f"look-{uuid.uuid4().hex[:12]}", "items": [{"seq": 1, "again": True}]})


def do_batch(key: str, batch: Mapping[str, Any]) -> None:
    """Do what one browser, or the program itself, asks of a photo, and keep it."""
    to_edit = partial(engine.to_edit, seen_of(key), records().path(key))
    for _ in range(5):
        session = session_of(key)
        before = session.copy()
        events = take_batch(session, batch, to_edit)
        try:
            records().add_steps(key, events)
            return
        except RecordError as fault:  # the browser has these edits still, and sends them again
            st.session_state["_sessions"][key] = before
            if not isinstance(fault, RevisionConflictError):
                before.message = f"Not kept yet: {fault}"
                return
