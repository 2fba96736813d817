"""The offer on the tree page: use these corrections for the rest of the tree, or go back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import screen_cache as cache
import streamlit as st
import tree_lessons as lessons
from screen_words import plain, table

from fruitcount.calibrate import Proposal, tuning_from_record, tuning_sentence
from fruitcount.evaluate.scores import Tally
from fruitcount.store.limbs import load_tuning
from fruitcount.store.photo_record import PhotoLine


def show_learning(lines: Sequence[PhotoLine], tree_id: int) -> None:
    """What is in force, the offer, or how to get one; nothing changes without a tap."""
    said = st.session_state.pop(f"_learned{tree_id}", "")
    if said:
        st.success(said)
    kept = load_tuning(cache.records().store, tree_id)
    if kept is not None:
        show_in_force(kept.body, kept.accepted_at, tree_id)
        return
    keys = lessons.corrected_keys(lines)
    rest = sum(1 for line in lines if line.numbers) - len(keys)
    if not keys or not rest:
        return
    if len(keys) == 1:
        st.caption(
            "One photo of this tree is corrected to its end. Correct one more, and the program can "
            "learn from both for the other photos."
        )
        return
    offered: dict[str, Any] = st.session_state.setdefault(f"_offer{tree_id}", {})
    revisions = [cache.session_of(key).history.revision for key in keys]
    if offered.get("of") == (keys, revisions):
        show_offer(offered["proposal"], lines, tree_id)
    elif st.button(f"Use these {len(keys)} corrections for the rest of this tree", width="stretch"):
        bar = st.progress(0.0, "Looking at the corrected photos.")
        proposal = lessons.offer(keys, lambda n, m: bar.progress(n / m, f"{n} of {m} looked at"))
        offered.update(of=(keys, revisions), proposal=proposal)
        st.rerun()


def told(tree_id: int, words: str) -> None:
    """Build the page anew with these words on it, the offer gone."""
    st.session_state.update({f"_learned{tree_id}": words, f"_offer{tree_id}": {}})
    st.rerun()


def show_offer(proposal: Proposal, lines: Sequence[PhotoLine], tree_id: int) -> None:
    """What it would be worth, and the choice."""
    with st.container(border=True):
        st.markdown(
            f"**What your corrections teach**\n\n{figures(proposal.before, proposal.after)}"
        )
        st.caption(
            f"Measured on the {proposal.photos_n} photos that you corrected, each judged by what "
            "the others teach. Agreement: twice the marks that are right, as a share of all marks "
            "and all fruit together."
        )
        if not proposal.worthwhile:
            st.write("That is not enough gain to change anything: the settings stay as they are.")
            return
        change = tuning_sentence(proposal.tuning, proposal.shipped.threshold)
        st.write(f"{change} Photos that you changed by hand stay as they are.")
        if proposal.photos_n < 5:
            st.write("From fewer than five photos this may be chance: look at some others after.")
        yes, no = st.columns(2)
        if yes.button("Use it for the others", type="primary", width="stretch"):
            bar = st.progress(0.0, "Counting the others anew.")
            n = lessons.accept(
                tree_id, proposal, lines, lambda n, m: bar.progress(n / m, f"{n} of {m} photos")
            )
            told(tree_id, f"In use now. Photos changed: {n}.")
        if no.button("Leave them as they are", width="stretch"):
            told(tree_id, "Nothing was changed.")


def show_in_force(body: Mapping[str, Any], since: str, tree_id: int) -> None:
    """That something learned is in use, what it was worth, and the way back."""
    with st.container(border=True):
        before, after = (Tally(*body[name]) for name in ("before", "after"))
        change = tuning_sentence(tuning_from_record(body["tuning"]), body["shipped_threshold"])
        st.markdown(
            f"**Your corrections are in use** on this tree since {since[:10]}: photos "
            f"that you did not change, and new ones, are counted with them. {plain(change)}"
        )
        st.caption(
            f"Agreement on {body['photos_n']} corrected photos: {before.f1:.0%} with the original "
            f"settings, {after.f1:.0%} with these."
        )
        if st.button("Back to the original settings", width="stretch"):
            n = lessons.take_back(tree_id, cache.records().photos(tree_id))
            told(tree_id, f"The original settings are back. Photos changed: {n}.")


def figures(before: Tally, after: Tally) -> str:
    """Before against after as a small Markdown table."""
    rows: Mapping[str, tuple[Any, Any]] = {
        "Agreement with you": (f"**{before.f1:.0%}**", f"**{after.f1:.0%}**"),
        "Right marks": (before.hits_n, after.hits_n),
        "Wrong marks": (before.false_n, after.false_n),
        "Missed fruit": (before.missed_n, after.missed_n),
    }
    return table(("", "Now", "With them"), [(name, *cells) for name, cells in rows.items()])
