"""The whole tree: photos put together by limb, the estimate, each limb's share, the files."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from typing import Any

import screen_cache as cache
import streamlit as st
from limb_size import own_words
from screen_store import PhotoLine
from screen_words import plain, units
from tree_facts import ask_facts
from tree_files import planned, show_files
from tree_rows import rows_of, show_changes, show_noticed

from fruitcount.batch.group import LimbCount
from fruitcount.batch.seen_factor import as_factor_takes, seen_factor
from fruitcount.batch.trees import estimate_trees
from fruitcount.batch.whole_tree import TreeFacts, limbs_of_tree
from fruitcount.errors import BadInputError
from fruitcount.export.tree_work_sheet import estimate_line, short_source
from fruitcount.export.words import CAUTION
from fruitcount.store.orchard import season_history, tree_id_of
from fruitcount.tree import Estimate

__all__ = ["show_total"]


def show_total(lines: list[PhotoLine], name: str) -> None:
    """Fruit on the whole tree, what to keep on each limb, and the files."""
    st.subheader("Whole tree")
    lines = [line for line in lines if line.numbers]
    rows = rows_of(lines, name)
    answer, asked, rest = st.container(), st.container(), st.container()
    try:
        with asked:
            st.markdown("**What you know of the tree**")
            facts = ask_facts(lines, rows, name)
    except BadInputError as fault:
        st.error(plain(str(fault)))
        return
    with answer:
        told = answer_or_estimate(lines, rows, facts)
        show_noticed(rows)
        show_changes(rows)
    with rest:
        show_last(lines, rows, facts, told)


def show_last(
    lines: list[PhotoLine], rows: list[dict[str, Any]], facts: TreeFacts, told: bool
) -> None:
    """The caution and the files."""
    st.info(CAUTION, icon=":material/health_and_safety:")
    show_files(lines, rows, facts, with_sheet=told)


def answer_or_estimate(
    lines: list[PhotoLine], rows: list[dict[str, Any]], facts: TreeFacts
) -> bool:
    """Show the tree's answer (True), or only the estimate where no target can be told."""
    if not rows:
        return False
    known = len(limbs_of_tree(rows, str(rows[0]["tree"]))[0]) + len(facts.limb_sizes)
    if facts.limbs_n and facts.limbs_n < known:
        st.error(f"{known} limbs are photographed or listed: the tree cannot have fewer.")
        return False
    try:
        answer = planned(lines, rows, facts)
    except BadInputError as fault:
        limbs, _ = limbs_of_tree(rows, str(rows[0]["tree"]))
        _show_plain(limbs, facts, str(fault))
        return False
    sheet = answer.sheet
    st.markdown(
        f"### {_about(sheet.total)} fruit on the tree: keep {sheet.keep_n}, take off about "
        f"{sheet.work.off_n:.0f}"
    )
    _show_sure(sheet.total)
    if answer.surer:
        st.write(plain(answer.surer))
    st.write(f"Target by {plain(short_source(sheet.target))}.")
    for note in (*answer.notes, *sheet.notes):
        st.caption(plain(note))
    table = ["| Limb | Now | Keep | Take off |", "|:--|--:|--:|--:|"]
    for limb in sheet.limbs:
        limb_name = plain(limb.name) + ("" if limb.counted else " (not photographed)")
        table.append(f"| {limb_name} | {limb.have_n:.0f} | {limb.keep_n} | {limb.work.off_n:.0f} |")
    st.markdown("\n".join(table))
    show_own_size(str(rows[0]["tree"]), sheet.keep_n)
    return True


def show_own_size(name: str, keep_n: float) -> None:
    """Size at picking from the tree's last two recorded seasons, where there are two."""
    store = cache.records().store
    number = tree_id_of(store, name)
    past = [] if number is None else season_history(store, number)
    told = [
        (fact.fruit_after_n, fact.fruit_g)
        for fact in past
        if fact.year < date.today().year and fact.fruit_after_n and fact.fruit_g
    ]
    if len(told) >= 2:
        two = [(float(n or 0), float(g or 0)) for n, g in told[-2:]]
        st.write(f"Size at picking. {own_words(two, keep_n, us=units() == 'us')}")


def _show_plain(limbs: Sequence[LimbCount], facts: TreeFacts, why: str) -> None:
    known = {limb.limb: limb.base_diameter_mm for limb in limbs}
    if all(math.isfinite(v) for v in known.values()):
        known |= {k: v.base_diameter_mm for k, v in facts.limb_sizes.items()}
    else:
        known = {}
    tree = limbs[0].tree
    factor, notes = seen_factor(facts)
    (told,) = estimate_trees(
        as_factor_takes(limbs, facts),
        all_diameters_mm={tree: known} if known else None,
        limbs_n={tree: facts.limbs_n or len(limbs)},
        factor=factor,
    ) or (None,)
    if told is None or told.estimate is None:
        st.warning(plain(told.why if told else why))
        return
    st.markdown(f"### {_about(told.estimate)} fruit on the tree")
    _show_sure(told.estimate)
    st.write(f"No number to keep: {plain(why)}.")
    for note in (*notes, *facts.remarks):
        st.caption(plain(note))


def _about(total: Estimate) -> str:
    return f"About {total.value_n:.0f}" if math.isfinite(total.value_n) else "An unknown number of"


def _show_sure(total: Estimate) -> None:
    if not total.told or total.low_n < total.high_n:
        st.write(plain(estimate_line(total)))
    else:
        st.write("Taken as if these photos show every limb. If not, tell of the others below.")
