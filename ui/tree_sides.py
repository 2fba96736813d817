"""Limbs photographed from both sides: which fruit are on both, as joined and as told by taps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import screen_cache as cache
import screen_engine as engine
import streamlit as st
from screen_photos import photo_at, shrink
from screen_words import plain

from fruitcount.errors import FruitcountError
from fruitcount.export.picture import side_picture
from fruitcount.store.limbs import load_side_counts, load_side_marks, save_side_count
from fruitcount.store.orchard import tree_id_of
from fruitcount.store.photo_record import PhotoLine
from fruitcount.tree.both_sides import BothSides, SidePair, side_pairs, told_pairs
from fruitcount.types import Measurement
from fruitcount.views import JoinedLimb, joined_pair, joined_sides

_SIDES = ("front", "back")


def ask_both_sides(
    lines: Sequence[PhotoLine], rows: Sequence[Mapping[str, Any]], name: str, *, by_hand: bool
) -> tuple[tuple[BothSides, ...], tuple[str, ...]]:
    """Show and take, for each limb with both sides, the fruit on both.

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
        What was told or, where nothing was, what joining the photos gives; and words on it.
    """
    store = cache.records().store
    tree_id = tree_id_of(store, name)
    pairs = side_pairs(rows, {} if tree_id is None else load_side_counts(store, tree_id))
    if not pairs:
        return (), ()
    marks = {} if tree_id is None else load_side_marks(store, tree_id)
    by_number = {line.number: line for line in lines}
    joined = {pair.limb: _joined(pair, by_number, marks) for pair in pairs}
    use, remarks = told_pairs(pairs)
    more = joined_sides({p: joined[p.limb] for p in pairs if p.both_n is None})
    with st.expander("Fruit that neither side shows", key="hidden"):
        st.write(
            "Two sides of a limb still hide some fruit. From which fruit are on both photos "
            "follows, as a range, how many hang there in all. Where the photos could be joined, "
            "one fruit has one number on both; else type how many are on both. "
            f"Told of {len(use)} of {len(pairs)} limbs, joined {len(more[0])}."
        )
        if by_hand:
            st.write("Limbs were counted by hand too: the tree's total goes by those.")
        for pair in pairs:
            ask_pair(pair, by_number, joined[pair.limb])
    return use + more[0], remarks + more[1]


def _joined(
    pair: SidePair,
    lines: Mapping[int, PhotoLine],
    marks: Mapping[tuple[int, int], list[list[float]]],
) -> JoinedLimb | None:
    """The two photos joined; worked out again only when either changed."""
    held: dict[str, tuple[str, JoinedLimb | None]] = st.session_state.setdefault("_sides", {})
    told = marks.get((pair.front_id, pair.back_id))
    two = [lines[number] for number in (pair.front_id, pair.back_id, *pair.more_ids)]
    now = repr([(line.key, line.numbers, line.inputs) for line in two] + [told])
    if held.get(pair.limb, ("", None))[0] != now:

        def measured(number: int) -> Measurement | None:
            try:
                return engine.kept_measurement(cache.records(), lines[number].key)[0]
            except FruitcountError:
                return None

        held[pair.limb] = now, joined_pair(pair, measured, told)
    return held[pair.limb][1]


def ask_pair(pair: SidePair, lines: Mapping[int, PhotoLine], joined: JoinedLimb | None) -> None:
    """The two photos, what each shows, the fruit on both to tap, and the field."""
    with st.container(border=True):
        st.markdown(
            f"**Limb {plain(pair.limb)}**: {pair.front_n} on the front, {pair.back_n} on the back"
        )
        for k, (column, number) in enumerate(
            zip(st.columns(2), (pair.front_id, pair.back_id), strict=True)
        ):
            with column:
                _picture(lines[number].key, k, joined, f"{_SIDES[k].title()} of limb {pair.limb}")
        if joined is not None:
            _ask_marks(pair, joined)
        told = _field(pair)
        most = pair.most_both_n
        if told is not None and told > most:
            st.error(f"At most {most} can be on both: the lesser side shows no more.")
        if told != pair.both_n and (told is None or told <= most):
            save_side_count(cache.records().store, pair.front_id, pair.back_id, both_n=told)
            st.rerun()


def _picture(key: str, side: int, joined: JoinedLimb | None, words: str) -> None:
    """A side's photo; with the fruit's numbers, a ring round those on both, where joined."""
    try:
        rgb = photo_at(cache.records().path(key)).rgb
    except FruitcountError:
        return
    if joined is not None:
        fruit = joined.measurement.fruitlets
        actions = np.where(np.isin(np.arange(len(fruit)), joined.on_both), "keep", "counted")
        rgb = side_picture(rgb, side, joined, list(np.where(fruit.on_limb != 0, actions, "")), 720)
    width: Any = 130 if joined is None else "stretch"
    st.image(shrink(rgb, 720, ".jpg"), width=width, caption=_SIDES[side].title(), alt=words)


def _ask_marks(pair: SidePair, joined: JoinedLimb) -> None:
    """Numbers to tap: one on both is parted, one on either side is joined with another."""
    on = [{int(n) for n in rows if n >= 0} for rows in joined.fruit]
    good = set(np.flatnonzero(joined.measurement.fruitlets.on_limb != 0).tolist())
    both, front, back = (sorted(s & good) for s in (on[0] & on[1], on[0] - on[1], on[1] - on[0]))
    key = f"{pair.front_id}-{pair.back_id}-{hash(tuple(both))}"
    shown = {"format_func": lambda number: str(number + 1), "width": "stretch"}
    kept = st.pills(
        f"On both, {len(both)}: tap a number to part it", both, selection_mode="multi",
        default=both, key=f"on{key}", **shown,
    )  # fmt: skip
    one = st.pills("Only on the front: tap one", front, key=f"front{key}", **shown)
    two = st.pills("Only on the back: tap the same fruit", back, key=f"back{key}", **shown)
    pairs = [(n, n) for n in both if n in kept]
    if one is not None and two is not None:
        pairs.append((one, two))
    if pairs != [(n, n) for n in both]:
        _keep(pair, joined, pairs)


def _keep(pair: SidePair, joined: JoinedLimb, pairs: Sequence[tuple[int, int]]) -> None:
    """Keep which fruit are on both, as their places on either photo."""
    marks, crop = [], 0
    for numbers in pairs:
        place: list[float] = []
        for photo, rows, number in zip(joined.photos, joined.fruit, numbers, strict=False):
            at = int(np.flatnonzero(rows == number)[0])
            place += [float(photo.fruitlets.x_px[at]), float(photo.fruitlets.y_px[at])]
        marks.append(place)
        crop += bool(joined.measurement.fruitlets.counts_as_crop[numbers[0]])
    both = min(crop, pair.most_both_n)
    save_side_count(cache.records().store, pair.front_id, pair.back_id, both_n=both, marks=marks)
    st.rerun()


def _field(pair: SidePair) -> int | None:
    # a field that starts with a number cannot be emptied again, so it starts empty and is filled
    key, was = f"both{pair.front_id}-{pair.back_id}", f"_both{pair.front_id}-{pair.back_id}"
    if key not in st.session_state or st.session_state.get(was) != pair.both_n:
        st.session_state[key] = st.session_state[was] = pair.both_n
    words, box = f"Fruit of limb {plain(pair.limb)} seen on both", {"placeholder": "not known"}
    told: int | None = st.number_input(words, min_value=0, step=1, value=None, key=key, **box)
    return told
