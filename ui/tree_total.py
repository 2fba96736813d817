"""The whole tree: photos put together by limb, the estimate, each limb's share, the files."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from typing import Any

import screen_cache as cache
import streamlit as st
from screen_store import PhotoLine
from screen_words import plain, units
from tree_files import planned, show_files

from fruitcount.batch.group import LimbCount, group_limbs
from fruitcount.batch.job import compare_moments
from fruitcount.batch.trees import estimate_trees
from fruitcount.batch.whole_tree import LimbSize, TreeFacts, limbs_of_tree
from fruitcount.errors import BadInputError
from fruitcount.export.words import CAUTION
from fruitcount.export.work_sheet import estimate_line, short_source
from fruitcount.season import OrchardTree
from fruitcount.store.orchard import load_trees
from fruitcount.tree import Estimate
from fruitcount.units import MM_PER_INCH

__all__ = ["rows_of", "show_total"]


def show_total(lines: list[PhotoLine], name: str) -> None:
    """Fruit on the whole tree, what to keep on each limb, and the files."""
    st.subheader("Whole tree")
    lines = [line for line in lines if line.numbers]
    rows = rows_of(lines, name)
    try:
        facts = ask_facts(lines, name)
    except BadInputError as fault:
        st.error(plain(str(fault)))
        return
    told = answer_or_estimate(lines, rows, facts)
    show_changes(rows)
    st.info(CAUTION, icon=":material/health_and_safety:")
    show_files(lines, rows, facts, with_sheet=told)


def rows_of(lines: Sequence[PhotoLine], tree: str) -> list[dict[str, Any]]:
    """One row a counted photo, as the batch's own grouping takes them."""
    rows = []
    for line in lines:
        told = line.numbers.get("verdict") != "cannot tell" or line.numbers.get("crop_count")
        rows.append(
            {
                "file": f"{line.name or 'photo'} ({line.key[:6]})",
                "ok": True,
                "tree": tree,
                "limb": line.limb,
                "side": line.side,
                "moment": line.moment,
                "count_n": line.numbers.get("crop_count") if told else None,
                "base_diameter_mm": _finite(
                    line.inputs.get("base_diameter_mm") or line.numbers.get("base_diameter_mm")
                ),
                "length_mm": _finite(line.numbers.get("length_mm")),
                "keep_n": line.numbers.get("keep_count") if told else None,
                "on": line.taken_on,
            }
        )
    return rows


def _finite(value: Any) -> float | None:
    return float(value) if value is not None and math.isfinite(float(value)) else None


def ask_facts(lines: Sequence[PhotoLine], name: str) -> TreeFacts:
    """What the keeper knows of the tree.

    Raises
    ------
    BadInputError
        When what is typed makes no sense; the message says why.
    """
    us = units() == "us"
    words = "in" if us else "mm"
    others = st.text_input(
        f"Base thickness of each other limb, {words}",
        placeholder="22, 30, 18",
        help="Limbs not photographed, by caliper just above the fork. Empty if there are none.",
    )
    left, right = st.columns(2)
    limbs_n = left.number_input(
        "Or how many limbs the tree has", min_value=0, step=1, value=None, placeholder="not told"
    )
    crates = right.number_input(
        "Crates wanted from this tree", min_value=0.0, value=None, placeholder="by spacing"
    )
    unit = "lb" if us else "kg"
    crate = right.number_input(f"Fruit in a full crate, {unit}", min_value=0.1, value=10.0)
    tree = _tree(name)
    sizes = {
        f"other {i}": LimbSize(v * (MM_PER_INCH if us else 1.0))
        for i, v in enumerate(_numbers_in(others, words), start=1)
    }
    species = next((p.inputs["species"] for p in lines if p.inputs.get("species")), "peach")
    return TreeFacts(
        species=tree.species or species,
        ripening_month=tree.ripening_month,
        southern=tree.southern,
        crates_n=crates or None,
        crate_kg=(crate * (0.45359237 if us else 1.0)) if crates else None,
        limbs_n=int(limbs_n) if limbs_n else None,
        limb_sizes=sizes,
    )


def _tree(name: str) -> OrchardTree:
    trees = load_trees(cache.records().store, year=date.today().year)
    return next((t for t in trees if t.name == name), OrchardTree(name))


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


def answer_or_estimate(
    lines: list[PhotoLine], rows: list[dict[str, Any]], facts: TreeFacts
) -> bool:
    """Show the tree's answer (True), or only the estimate where no target can be told."""
    if not rows:
        return False
    try:
        answer = planned(lines, rows, facts)
    except BadInputError as fault:
        limbs, _ = limbs_of_tree(rows, str(rows[0]["tree"]))
        _show_plain(limbs, facts, str(fault))
        return False
    sheet = answer.sheet
    with st.container(horizontal=True, gap="large"):
        st.metric("Fruit on the tree", _about(sheet.total), width="content")
        st.metric("Keep on the tree", f"{sheet.keep_n}", width="content")
        st.metric("Take off", f"about {sheet.work.off_n:.0f}", width="content")
    _show_sure(sheet.total)
    if answer.next_limbs:
        st.write(f"For a surer count photograph next: {plain(', '.join(answer.next_limbs))}.")
    st.write(f"Target by {plain(short_source(sheet.target))}.")
    for note in (*answer.notes, *sheet.notes):
        st.caption(plain(note))
    table = [
        {
            "Limb": limb.name + ("" if limb.counted else " (not photographed)"),
            "Now": round(limb.have_n),
            "Keep": limb.keep_n,
            "Take off": round(limb.work.off_n),
            "Photos": len(answer.files.get(limb.name, ())),
        }
        for limb in sheet.limbs
    ]
    st.dataframe(table, hide_index=True, width="stretch")
    return True


def _show_plain(limbs: Sequence[LimbCount], facts: TreeFacts, why: str) -> None:
    known = {limb.limb: limb.base_diameter_mm for limb in limbs}
    if all(math.isfinite(v) for v in known.values()):
        known |= {k: v.base_diameter_mm for k, v in facts.limb_sizes.items()}
    else:
        known = {}
    tree = limbs[0].tree
    (told,) = estimate_trees(
        limbs,
        all_diameters_mm={tree: known} if known else None,
        limbs_n={tree: facts.limbs_n or len(limbs)},
    ) or (None,)
    if told is None or told.estimate is None:
        st.warning(plain(told.why if told else why))
        return
    st.metric("Fruit on the tree", _about(told.estimate), width="content")
    _show_sure(told.estimate)
    st.write(f"No number to keep: {plain(why)}.")


def _about(total: Estimate) -> str:
    return f"about {total.value_n:.0f}" if math.isfinite(total.value_n) else "not told"


def _show_sure(total: Estimate) -> None:
    if not total.told or total.low_n < total.high_n:
        st.write(plain(estimate_line(total)))
    else:
        st.write("Taken as if these photos show every limb. If not, tell of the others above.")


def show_changes(rows: list[dict[str, Any]]) -> None:
    """Before against after thinning, for limbs that have photos of both."""
    changes = compare_moments(group_limbs(rows))
    if not changes:
        return
    st.markdown("**Before and after**")
    table = [
        {
            "Limb": limb,
            "Before": round(c.before_n),
            "After": round(c.after_n),
            "Off": round(c.off_n),
        }
        for (_, limb), c in changes.items()
    ]
    st.dataframe(table, hide_index=True, width="stretch")
