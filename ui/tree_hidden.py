"""Fruit that photos do not show: limbs counted by hand too, and limbs seen from both sides."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import date
from typing import Any

import screen_cache as cache
import streamlit as st
from screen_photos import preview_jpeg
from screen_words import plain

from fruitcount.errors import FruitcountError
from fruitcount.store.limbs import (
    delete_hand_counts,
    hand_limbs,
    load_hand_counts,
    load_side_counts,
    save_hand_count,
    save_side_count,
)
from fruitcount.store.orchard import tree_id_of
from fruitcount.store.photo_record import PhotoLine
from fruitcount.tree.both_sides import (
    BothSides,
    SidePair,
    side_pairs,
    told_pairs,
)
from fruitcount.tree.count import limbs_of_tree
from fruitcount.tree.facts import MOST_FRUIT
from fruitcount.tree.hidden import ratio_factor

Pairs = tuple[tuple[float, float], ...]


def ask_hand_counts(rows: Sequence[Mapping[str, Any]], name: str) -> tuple[Pairs, dict[str, float]]:
    """Show, take and clear a tree's hand counts of this year.

    Returns
    -------
    pairs (on the photo, by hand), and limb name to the latter where the limb was told
    """
    store, year = cache.records().store, date.today().year
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


def ask_both_sides(
    lines: Sequence[PhotoLine], rows: Sequence[Mapping[str, Any]], name: str, *, by_hand: bool
) -> tuple[tuple[BothSides, ...], tuple[str, ...]]:
    """Show and take, for each limb with both sides, the fruit on both; nothing until it is typed.

    Parameters
    ----------
    lines : sequence of PhotoLine
        The tree's counted photos.
    rows : sequence of mapping
        The same as :func:`tree_total.rows_of` gives them.
    name : str
        The tree's.
    by_hand : bool
        Whether limbs were counted by hand too: those lead.

    Returns
    -------
    tuple of BothSides, tuple of str
        As :func:`fruitcount.tree.both_sides.told_pairs` gives them.
    """
    store = cache.records().store
    tree_id = tree_id_of(store, name)
    pairs = side_pairs(rows, {} if tree_id is None else load_side_counts(store, tree_id))
    if not pairs:
        return (), ()
    use, remarks = told_pairs(pairs)
    with st.expander("Fruit that neither side shows", key="hidden"):
        st.write(
            "Two sides of a limb still hide some fruit. If you can tell which fruit are on both "
            "photos, type how many: from that follows, as a range, how many hang there in all. "
            f"Left empty, it is not used. Told of {len(use)} of {len(pairs)} limbs."
        )
        if by_hand:
            st.write("Limbs were counted by hand too: the tree's total goes by those.")
        keys = {line.number: line.key for line in lines}
        for pair in pairs:
            ask_pair(pair, keys)
    return use, remarks


def ask_pair(pair: SidePair, keys: Mapping[int, str]) -> None:
    """The two photos, what each shows, and the field."""
    with st.container(border=True):
        st.markdown(
            f"**Limb {plain(pair.limb)}**: {pair.front_n} on the front, {pair.back_n} on the back"
        )
        with st.container(horizontal=True, gap="small"):
            for number, side in ((pair.front_id, "Front"), (pair.back_id, "Back")):
                with suppress(FruitcountError):
                    small = preview_jpeg(cache.records().path(keys[number]), 320)
                    st.image(small, width=130, caption=side, alt=f"{side} of limb {pair.limb}")
        told = _field(pair)
        most = min(pair.front_n, pair.back_n)
        if told is not None and told > most:
            st.error(f"At most {most} can be on both: the lesser side shows no more.")
        if told != pair.both_n and (told is None or told <= most):
            save_side_count(cache.records().store, pair.front_id, pair.back_id, both_n=told)
            st.rerun()


def _field(pair: SidePair) -> int | None:
    # a field that starts with a number cannot be emptied again, so it starts empty and is filled
    key, was = f"both{pair.front_id}-{pair.back_id}", f"_both{pair.front_id}-{pair.back_id}"
    if key not in st.session_state or st.session_state.get(was) != pair.both_n:
        st.session_state[key] = st.session_state[was] = pair.both_n
    words, box = f"Fruit of limb {plain(pair.limb)} seen on both", {"placeholder": "not known"}
    told: int | None = st.number_input(words, min_value=0, step=1, value=None, key=key, **box)
    return told
