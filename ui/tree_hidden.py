"""Fruit that photos do not show: limbs counted by hand too."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import screen_cache as cache
import streamlit as st

from fruitcount.store.limbs import delete_hand_counts, hand_limbs, load_hand_counts, save_hand_count
from fruitcount.store.orchard import tree_id_of
from fruitcount.tree.count import limbs_of_tree
from fruitcount.tree.facts import MOST_FRUIT
from fruitcount.tree.hidden import ratio_factor

Pairs = tuple[tuple[float, float], ...]


def ask_hand_counts(rows: Sequence[Mapping[str, Any]], name: str) -> tuple[Pairs, dict[str, float]]:
    """Show, take and clear a tree's hand counts of this season.

    Returns
    -------
    pairs (on the photo, by hand), and limb name to the latter where the limb was told
    """
    store, year = cache.records().store, cache.season_of(cache.tree_named(name))
    tree_id = tree_id_of(store, name)
    counts = [c for c in load_hand_counts(store, year=year) if c.tree_id in (None, tree_id)]
    pairs = tuple((c.seen_n, c.true_n) for c in counts)
    shown = {c.limb: c.count_n for c in limbs_of_tree(rows, name)[0] if math.isfinite(c.count_n)}
    with st.expander("Limbs counted by hand too", key="hand"):
        st.write(
            "Photos do not show every fruit. Count three of these limbs by hand as well: then you "
            "get the number on the whole tree."
        )
        if pairs:
            st.write(factor_words(pairs))
        with st.form(f"hand{name}", border=False, clear_on_submit=True):
            limb = st.selectbox("Which limb", list(shown), index=None, placeholder="another one")
            left, right = st.columns(2)
            seen = left.number_input(
                "On its photo", min_value=0, max_value=MOST_FRUIT, value=None,
                placeholder="as counted, for a limb chosen above"
            )  # fmt: skip
            true = right.number_input("By hand", min_value=0, max_value=MOST_FRUIT, value=None)
            if st.form_submit_button("Save", width="stretch") and tree_id is not None:
                seen = round(shown[limb]) if seen is None and limb else seen
                if seen is None or true is None:
                    st.error("Type both counts of the same limb.")
                else:
                    told = {"tree_id": tree_id, "limb": limb or ""}
                    save_hand_count(store, year=year, seen_n=seen, true_n=true, **told)
                    st.rerun()
        mine = any(c.tree_id == tree_id for c in counts)
        if mine and tree_id is not None and st.button("Clear them", width="stretch"):
            delete_hand_counts(store, tree_id, year=year)
            st.rerun()
    if not sum(s for s, _ in pairs) > 0:
        return (), {}
    return pairs, hand_limbs(counts)


def factor_words(pairs: Pairs) -> str:
    """What hand counts say, as one sentence."""
    if not sum(s for s, _ in pairs):
        return "None of these photos shows a fruit: count a limb whose photo shows some."
    factor = ratio_factor([s for s, _ in pairs], [t for _, t in pairs])
    words = f"By hand {factor.value:.2f} times what the photos show"
    if not math.isfinite(factor.low):
        return f"{words}; count another limb to know how sure that is."
    return f"{words} (95% interval {factor.low:.2f} to {factor.high:.2f}, {len(pairs)} limbs)."
