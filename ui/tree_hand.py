"""Limbs counted by hand too: what the photos of a tree do not show, told as a range."""

from __future__ import annotations

import math
from datetime import date

import screen_cache as cache
import streamlit as st

from fruitcount.store.orchard import (
    HandCount,
    delete_hand_counts,
    load_hand_counts,
    save_hand_count,
    tree_id_of,
)
from fruitcount.tree import seen_to_true

__all__ = ["ask_hand_counts", "factor_words"]

Pairs = tuple[tuple[float, float], ...]


def ask_hand_counts(name: str) -> Pairs:
    """Show, take and clear a tree's hand counts of this year; the pairs (seen, by hand)."""
    store, year = cache.records().store, date.today().year
    tree_id = tree_id_of(store, name)
    counts = [c for c in load_hand_counts(store, year=year) if c.tree_id in (None, tree_id)]
    pairs = tuple((c.seen_n, c.true_n) for c in counts)
    with st.expander("Limbs counted by hand too"):
        st.write(
            "Photos do not show every fruit. Count some photographed limbs by hand: the whole "
            "tree is then told with what the photos miss."
        )
        if pairs:
            st.write(factor_words(pairs))
        with st.form(f"hand{name}", border=False, clear_on_submit=True):
            left, right = st.columns(2)
            seen = left.number_input("On its photo", min_value=0, step=1, value=None)
            true = right.number_input("By hand", min_value=0, step=1, value=None)
            if st.form_submit_button("Keep", width="stretch") and tree_id is not None:
                if seen is None or true is None:
                    st.error("Type both counts of the same limb.")
                else:
                    save_hand_count(store, HandCount(year, seen, true, tree_id))
                    st.rerun()
        mine = any(c.tree_id == tree_id for c in counts)
        if mine and tree_id is not None and st.button("Clear them", width="stretch"):
            delete_hand_counts(store, tree_id, year=year)
            st.rerun()
    return pairs if sum(s for s, _ in pairs) > 0 else ()


def factor_words(pairs: Pairs) -> str:
    """What hand counts say, as one sentence."""
    if not sum(s for s, _ in pairs):
        return "None of these photos shows a fruit: count a limb whose photo shows some."
    factor = seen_to_true([s for s, _ in pairs], [t for _, t in pairs])
    words = f"By hand {factor.value:.2f} times what the photos show"
    if not math.isfinite(factor.low):
        return f"{words}; count another limb to know how sure that is."
    return f"{words} (95% interval {factor.low:.2f} to {factor.high:.2f}, {len(pairs)} limbs)."
