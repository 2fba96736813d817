"""What the keeper knows of a tree: limbs not photographed, crates, trunk and age, and sheets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import screen_cache as cache
import streamlit as st
from screen_words import ask_number, ask_sheet, units
from tree_hidden import ask_hand_counts
from tree_sides import ask_both_sides

from fruitcount.errors import BadInputError
from fruitcount.jobs.tree_source import facts_of, sized_limbs
from fruitcount.plan.inputs import PLAN_CHOICES
from fruitcount.plan.words import TITLES
from fruitcount.season.orchard import OrchardTree
from fruitcount.species.model import load_species
from fruitcount.store.orchard import tree_id_of
from fruitcount.store.photo_record import PhotoLine
from fruitcount.tree.facts import MOST_LIMBS, LimbSize, TreeFacts, read_limb_sizes, read_walks
from fruitcount.tree.sampling import draw_limbs
from fruitcount.units import unit_of


def ask_facts(
    lines: Sequence[PhotoLine], rows: Sequence[Mapping[str, Any]], name: str
) -> TreeFacts:
    """What the keeper knows of the tree.

    Parameters
    ----------
    lines : sequence of PhotoLine
        Its counted photos.
    rows : sequence of mapping
        The same as :func:`tree_total.rows_of` gives them.
    name : str

    Raises
    ------
    BadInputError
        When what is typed makes no sense; the message says why.
    """
    others, typed_n = _ask_limbs_and_crates()
    tree = ask_trunk(cache.tree_named(name))
    choice = st.selectbox(
        "Plan", PLAN_CHOICES, index=None, format_func=TITLES.__getitem__,
        placeholder="as chosen on the photos", key=f"plan{name}",
    )  # fmt: skip
    pace = ask_number("Fruit you take off in a minute", key=f"pace{name}")
    unit, per, _ = unit_of("size", units())
    sizes = (LimbSize(v * per) for v in _numbers_in(others, unit))
    hand, by_limb = ask_hand_counts(rows, name)
    sides, remarks = ask_both_sides(lines, rows, name, by_hand=bool(hand))
    store, tree_id = cache.records().store, tree_id_of(cache.records().store, name)
    known = facts_of(tree, year=cache.season_of(tree), photos=lines)
    if tree.trunk_circumference_mm and tree.planted_year and not known.trunk_circumference_mm:
        title = load_species(known.species).title
        st.caption(f"No published count by trunk is known for {title}.")
    facts = replace(
        known,
        **typed_n,
        pace_n_per_min=pace,
        plan_choice=choice,
        limb_sizes={
            **({} if tree_id is None else sized_limbs(store, tree_id)),
            **{f"other {i}": size for i, size in enumerate(sizes, start=1)},
        },
        seen_true=hand,
        hand_limbs=by_limb,
        both_sides=sides,
        remarks=remarks,
    )
    return with_sheets(facts, name)


def _ask_limbs_and_crates() -> tuple[str, dict[str, Any]]:
    """The other limbs' thicknesses as typed, and the numbers of limbs and crates."""
    unit, *_ = unit_of("size", units())
    others = st.text_input(f"Base thickness of each other limb, {unit}", placeholder="22, 30, 18")
    st.caption("Limbs not photographed, by caliper just above the fork. Empty if there are none.")
    left, right = st.columns(2)
    how_many = "Or how many limbs the tree has"
    typed = ask_number(how_many, where=left, whole=True, max_value=MOST_LIMBS)
    limbs_n = int(typed) if typed else None
    draw_n = min(3, limbs_n or 0)
    if draw_n and left.button(f"Draw {draw_n} limbs to photograph"):
        names = draw_limbs([str(k) for k in range(1, (limbs_n or 0) + 1)], draw_n)
        left.write(f"By lot: limb {', '.join(names)}, numbered from the lowest up.")
    crates = ask_number("Crates wanted from this tree", where=right)
    if not crates:
        return others, {"limbs_n": limbs_n}
    unit, per, _ = unit_of("crop", units())
    crate_kg = ask_number(f"Fruit in a full crate, {unit}", 10.0 * per, where=right, per=per)
    crate_kg = crate_kg or 10.0 * per
    return others, {"limbs_n": limbs_n, "crates_n": crates, "crate_kg": crate_kg}


def ask_trunk(tree: OrchardTree) -> OrchardTree:
    """Ask for trunk and age; they are kept with the tree and lead to its target.

    The crates lead where they are told, then trunk and age, then the spacing.
    """
    left, right = st.columns(2)
    unit, per, _ = unit_of("length", units())
    trunk = ask_number(
        f"Trunk, measured around, {unit}", tree.trunk_circumference_mm, where=left, per=per,
        hint=f"by tape, {200 / per:.0f} {unit} above ground", max_value=500.0,
        key=f"trunk{tree.name}{unit}",
    )  # fmt: skip
    year = cache.season_of(tree)
    was = year - tree.planted_year if tree.planted_year else None
    words, at = "Years since it was planted", f"age{tree.name}"
    age = ask_number(words, was, where=right, whole=True, max_value=150, key=at)
    if bool(trunk) != bool(age):
        lack = "its age" if trunk else "its trunk"
        st.caption(f"Enter {lack} as well to use the trunk table.")
    planted = year - int(age) if age else None
    told = replace(tree, trunk_circumference_mm=trunk, planted_year=planted)
    if told != tree:
        cache.keep_tree(told)
    return told


def _numbers_in(text: str, words: str) -> list[float]:
    try:
        values = [float(part) for part in text.replace(",", " ").replace(";", " ").split()]
    except ValueError:
        values = [-1.0]
    if not all(0 < v < 2000 for v in values):
        raise BadInputError(
            f"Write the thicknesses as numbers in {words}, with commas or spaces between."
        )
    return values


def with_sheets(facts: TreeFacts, name: str) -> TreeFacts:
    """The facts with what sheets tell of a tree; they are read for this visit and not kept."""
    with st.expander("Sheets of limbs or walks (CSV)", key="sheets"):
        sizes = ask_sheet(
            "Every limb of the tree", lambda path: read_limb_sizes(path, name), f"limbs{name}"
        )
        st.caption(
            "Columns limb and base_diameter_mm; length_mm and group if wanted. Name the limbs as "
            "the photos do."
        )
        facts = replace(facts, limb_sizes={**facts.limb_sizes, **(sizes or {})})
        grouped = any(size.group for size in facts.limb_sizes.values())
        if grouped and st.toggle("Limbs stand for those of their group, not by thickness"):
            facts = replace(facts, by_group=True)
        told = ask_sheet("Random walks from trunk to tip", read_walks, f"walk{name}")
        st.caption(
            "Columns walk, fruit, and chance, or diameter_mm with fork_mm: fruit counted by hand "
            "on each piece of the way. Walks then give the total in place of the photos."
        )
        return replace(facts, walks=told) if told else facts
