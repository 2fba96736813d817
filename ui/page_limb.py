"""The limb page: a photo in, its marks corrected by hand, the keep count beside it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import partial
from typing import Any

import screen_cache as cache
import screen_engine as engine
import streamlit as st
from limb_size import show_size
from review_canvas import canvas_data, review_canvas
from screen_answers import answers_form
from screen_downloads import show_downloads, show_limb, show_pictures
from screen_outbox import EditSession
from screen_photos import photo_at
from screen_result import Answer, actions_by_mark, answer_of, cut_strokes, show_reasons, show_result
from screen_start import show_start
from screen_words import plain, telling, units
from streamlit.errors import StreamlitAPIException
from tree_lessons import follow_tuning, learned_here

import fruitcount.corrections as cx
from fruitcount.errors import FruitcountError
from fruitcount.image.references import DISC_DIAMETERS_MM
from fruitcount.pipeline import Result
from fruitcount.results import result_row
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.orchard import load_trees, tree_id_of

_WIDGET = "canvas_{}"
LEARNED = "Counted with what your corrections on this tree taught."


@telling
def show() -> None:
    """The page: a photo named in the address is reviewed, else one is asked for."""
    key = str(st.query_params.get("photo", ""))
    if not key:
        # in one box, which the photo replaces whole: nothing of this is left below it
        with st.container():
            show_start(open_photo)
        return
    try:
        cache.records().path(key)
        review(key)
    except FruitcountError as fault:
        st.error(str(fault))
        if st.button("Choose another photo"):
            open_photo("")
        return
    watch(key)


def open_photo(key: str) -> None:
    """Go to a photo (or to the start, with an empty key) by changing the address."""
    if key:
        st.query_params["photo"] = key
    else:
        st.query_params.pop("photo", None)
    st.rerun()


@st.fragment  # type: ignore[untyped-decorator]
@telling
def review(key: str) -> None:
    """Photo and answer side by side; every edit and every answer comes back here."""
    photo, answer = st.columns([3, 2], gap="medium")
    if not cache.is_counted(key):
        count_beside(key, photo, answer)
    todo, ways, asked, drawers = (answer.container() for _ in range(4))
    # the photo goes out first, with the answers as they were kept: it is painted while the
    # browser still builds the form; another answer shows it anew
    facts = cache.answers_of(key)
    with photo.container(key="photo"):
        result = show_canvas(key, facts)
    with asked.expander("The tree and what you know of it", key=f"{key[:12]}known"):
        tree = show_tree(key)
        now = answers_form(key[:12], facts)
        now = show_size(key, result, now)
    keep_answers(key, now)
    if _given(now) != _given(facts):
        if tree is not None:
            tell_tree(tree, now)
        show_anew()
    session = cache.session_of(key)
    keep_if_new(key, session.history.revision, now, result_row(result).values())
    with todo:
        offer_new_look(key, session.history.sheet)
        show_limb(result, units())
        show_result(result, units())
    with ways:
        show_ways(key)
    with drawers:
        show_reasons(result, units(), key[:12])
        path = cache.records().path(key)
        first = cache.seen_of(key) if session.history.done else None
        with st.expander("Pictures, files to download, and this photo", key=f"{key[:12]}files"):
            show_pictures(path, result, key[:12])
            show_downloads(path, result, units(), key[:12], automatic=first)
            show_photo_facts(key, result.measurement.name)


def _given(facts: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in facts.items() if value is not None}


def show_anew() -> None:
    """Run this part of the page again, or all of it where all of it is running."""
    try:
        st.rerun(scope="fragment")
    except StreamlitAPIException:
        st.rerun()


def show_canvas(key: str, facts: dict[str, Any]) -> Result:
    """The photo with its marks and what becomes of them; returns what was decided on them."""
    seen, session, result = cache.seen_of(key), cache.session_of(key), cache.decided(key, facts)
    scale = result.measurement.scale
    data = canvas_data(
        session, key, (seen.width_px, seen.height_px), answer_of(result, units()),
        actions=actions_by_mark(result, session.history.sheet), cuts_px=cut_strokes(result),
        card_px=scale.corners_px.tolist(), coins=list(DISC_DIAMETERS_MM.items()),
        px_per_mm=scale.px_per_mm if scale.known else 0.0, message=session.message,
        us=units() == "us", doubt_below=engine.doubt_below(seen.source),
    )  # fmt: skip
    session.message = ""
    widget = _WIDGET.format(key[:12])
    review_canvas(data, key=widget, on_outbox=partial(cache.receive, key, widget))
    return result


def count_beside(key: str, photo: Any, answer: Any) -> None:
    """Count a new photo while it is shown: it can be looked at and zoomed meanwhile."""
    rows, columns = photo_at(cache.records().path(key)).rgb.shape[:2]
    words = Answer("Counting the fruit", "A few seconds. You can zoom in meanwhile.", [])
    empty = EditSession(cx.History.begin(cx.Sheet()))
    with photo.container(key="photo"):
        data = canvas_data(empty, key, (columns, rows), words, busy=True)
        review_canvas(data, key=_WIDGET.format(key[:12]), on_outbox=lambda: None)
    with answer, st.spinner("Counting the fruit.", show_time=True):
        cache.seen_of(key)
    st.rerun()


def offer_new_look(key: str, sheet: cx.Sheet) -> None:
    """After a scale set by hand: the search can be done anew for fruit of that size."""
    if not engine.worth_a_new_look(cache.seen_of(key), sheet):
        return
    st.write("The marks were found at another scale than the one set now.")
    if st.button("Look again at this scale", key=f"{key[:12]}again", width="stretch"):
        with st.spinner("Looking again. Marks that you made or checked stay.", show_time=True):
            cache.look_again(key)
        st.rerun(scope="fragment")


def show_tree(key: str) -> OrchardTree | None:
    """Which tree the limb is on, an old one or a new; a new photo is on the tree named last."""
    records, today = cache.records(), date.today()
    trees = {tree.name: tree for tree in load_trees(records.store, day=today)}
    now = engine.tree_names(records).get(records.tree_of(key))
    chosen = st.selectbox(
        "This limb is on", list(trees), index=list(trees).index(now) if now in trees else None,
        placeholder="Choose or name a tree", accept_new_options=True, key=f"{key[:12]}tree"
    )  # fmt: skip
    if chosen not in trees:  # typed here; a known name, made elsewhere, may be longer
        chosen = (chosen or "").strip()[:60] or None
    if chosen == now:
        return trees.get(now or "")
    if chosen is not None and chosen not in trees:
        tell_tree(OrchardTree(chosen), cache.answers_of(key))
    tree_id = None if chosen is None else tree_id_of(records.store, chosen)
    records.put_in_tree(key, tree_id)
    # what the tree tells stands in the form too
    for name in engine.OF_THE_TREE:
        if value := chosen in trees and getattr(trees[chosen], name):
            st.session_state["_facts"][key] = {**cache.answers_of(key), name: value}
            st.session_state.pop(f"{key[:12]}{name}", None)
    if tree_id is not None and follow_tuning(key, tree_id):
        cache.session_of(key).message = LEARNED
        st.rerun(scope="app")
    show_anew()
    return None


def tell_tree(tree: OrchardTree, facts: dict[str, Any]) -> None:
    """Species, month and hemisphere are the tree's: told once, the season and all photos know."""
    told = {name: facts.get(name) for name in engine.OF_THE_TREE}
    now = replace(tree, **{name: value for name, value in told.items() if value})
    if now != tree or tree_id_of(cache.records().store, tree.name) is None:
        cache.keep_tree(now)


def show_ways(key: str) -> None:
    """On to the next photo, back to the tree, or a new photo."""
    records = cache.records()
    tree = records.tree_of(key)
    keys = [line.key for line in reversed(records.photos(tree))] if tree is not None else []
    after = keys[keys.index(key) + 1 :] if key in keys else []
    with st.container(horizontal=True):
        words = "Next photo" if after else "New photo"
        if st.button(words, key=f"{key[:12]}leave", type="primary", width="stretch"):
            open_photo(after[0] if after else "")
        if tree is not None and st.button("The tree", key=f"{key[:12]}back", width="stretch"):
            st.switch_page(st.session_state["_pages"]["tree"])


def show_photo_facts(key: str, name: str) -> None:
    """Its name, the keys, and the way to delete it."""
    if learned_here(cache.session_of(key).history):
        st.caption(f"{LEARNED} The Tree page has the way back; Undo takes it from this photo.")
    st.caption(
        f"Photo: {plain(name or 'photo')}. Every change is saved at once. Keys on the photo: "
        "arrows step and zoom, Shift and arrows move, plus and minus resize, 1 to 4 name, Delete "
        "removes, P puts a new mark, C checks the next doubtful one, Enter is right, W shows the "
        "whole photo, U undoes, R redoes."
    )
    with st.popover("Delete this photo"):
        st.write("The photo, its marks and all corrections go for good.")
        if st.button("Delete for good", key=f"{key[:12]}delete"):
            cache.records().forget(key)
            st.session_state["_sessions"].pop(key, None)
            st.session_state["_seen"].pop(key, None)
            open_photo("")


def keep_answers(key: str, facts: dict[str, Any]) -> None:
    """Keep the answers, and take the general ones over to the next photo."""
    st.session_state["_facts"][key] = facts
    st.session_state["_last_facts"] = {
        k: facts.get(k) for k in (*engine.OF_THE_TREE, "drop_done", "pass_number")
    }


def keep_if_new(key: str, revision: int, facts: dict[str, Any], told: dict[str, Any]) -> None:
    """Keep the result once for each state of marks and answers."""
    held = st.session_state.setdefault("_kept", {})
    state = (revision, repr(sorted(facts.items(), key=str)))
    if held.get(key) != state:
        cache.records().keep_result(key, revision, facts, told)
        held[key] = state


@st.fragment(run_every=4)  # type: ignore[untyped-decorator]
@telling
def watch(key: str) -> None:
    """Look now and then whether another browser has changed this photo."""
    session = st.session_state.get("_sessions", {}).get(key)
    if session is not None and cache.records().steps(key, session.history.revision):
        session.message = "Another screen changed this photo: you see its changes now."
        st.rerun(scope="app")
