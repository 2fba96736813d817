"""The whole tree: photos put together by limb, the estimate, each limb's share, the files."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import lru_cache
from typing import Any

import screen_cache as cache
import streamlit as st
from limb_size import own_words
from screen_downloads import planned, show_files
from screen_photos import preview_jpeg
from screen_words import photo_words, plain, table, units
from tree_facts import ask_facts

from fruitcount.errors import BadInputError, FruitcountError
from fruitcount.export.limb_diagram import draw_tree, tree_words
from fruitcount.export.tree_work_sheet import (
    NOT_SEEN,
    covers,
    estimate_lines,
    headline,
    source_lines,
    target_line,
)
from fruitcount.flags import CAUTIONS_FULL
from fruitcount.jobs.tree import work_lines
from fruitcount.jobs.tree_source import SMALL_PX, look_of, photo_row
from fruitcount.season.orchard import name_order
from fruitcount.store.orchard import season_history, tree_id_of
from fruitcount.store.photo_record import PhotoLine
from fruitcount.tree.count import TreeCount, as_factor_takes, limbs_of_tree, tree_count
from fruitcount.tree.estimate import Estimate
from fruitcount.tree.facts import TreeFacts
from fruitcount.tree.folder import compare_moments
from fruitcount.tree.group import LimbCount, group_limbs
from fruitcount.tree.photos import same_looks
from fruitcount.tree.plan import TreePlan
from fruitcount.tree.sheet import TreeSheet, common_practice_notes


def rows_of(lines: Sequence[PhotoLine], tree: str) -> list[dict[str, Any]]:
    """One row a counted photo, as the batch's own grouping takes them."""
    return [
        {**photo_row(line, tree), "file": photo_words(line), "look": look_at(line.key)}
        for line in lines
    ]


def show_changes(rows: list[dict[str, Any]]) -> None:
    """Before against after thinning, for limbs that have photos of both."""
    changes = compare_moments(group_limbs(rows))
    if not changes:
        return
    cells = [
        (plain(limb), f"{before:.0f}", f"{after:.0f}", f"{before - after:.0f}")
        for (_, limb), (before, after) in changes.items()
    ]
    shown = table(("Limb", "Before", "After", "Off"), cells)
    st.markdown(f"**Before and after thinning**\n\n{shown}")


def noticed(rows: list[dict[str, Any]], facts: TreeFacts | None = None) -> list[str]:
    """Sentences on photos that show the same, and how they are counted."""
    out: list[str] = []
    for moment in dict.fromkeys(row["moment"] for row in rows):
        part = [row for row in rows if row["moment"] == moment]
        for row, first in zip(part, same_looks([r["look"] for r in part]), strict=True):
            if part[first] is not row:
                out.append(f"{row['file']} looks the same as {part[first]['file']}: counted once.")
    limbs: dict[str, list[LimbCount]] = {}
    several: dict[str, list[str]] = {}
    for limb in as_factor_takes(group_limbs(rows), facts or TreeFacts()):
        limbs.setdefault(limb.limb, []).append(limb)
    for name, moments in limbs.items():
        for limb in moments:
            if len(limb.files) > 1:
                when = f" {limb.moment} thinning" if limb.moment else ""
                several.setdefault(f"{len(limb.files)} photos{when}: {limb.how}", []).append(name)
        if {"before", "after"} <= {limb.moment for limb in moments}:
            out.append(f"Limb {name} was photographed before and after: compared below.")
    for how, names in several.items():
        limbs_are = f"Limb {names[0]} is" if len(names) == 1 else f"Limbs {', '.join(names)} are"
        out.append(f"{limbs_are} on {how}.")
    return out


@lru_cache(maxsize=4096)
def look_at(key: str) -> str:
    """Hash of a photo's looks, from its small copy; empty where it cannot be read."""
    with suppress(FruitcountError):
        path = cache.records().path(key)
        preview_jpeg(path, SMALL_PX)  # made here where it was not yet
        return look_of(path)
    return ""


def show_total(
    lines: list[PhotoLine], name: str, show_photos: Callable[[], None] = lambda: None
) -> None:
    """Fruit on the whole tree, what to keep on each limb, the photos, and the files."""
    lines = [line for line in lines if line.numbers]
    lines.sort(key=lambda line: name_order(line.limb or line.name))
    rows = rows_of(lines, name)
    answer, asked, rest = (st.container() for _ in range(3))
    with answer:
        said = st.container()
        show_photos()
    try:
        with asked.expander("What you know of the tree", key="known"):
            facts = ask_facts(lines, rows, name)
    except BadInputError as fault:
        st.error(plain(str(fault)))
        return
    with said:
        plan = answer_or_estimate(lines, rows, facts)
        if words := noticed(rows, facts):
            st.markdown("**Noticed**\n\n" + "\n".join(f"- {plain(w)}" for w in words))
        show_changes(rows)
    with rest:
        show_files(lines, rows, facts, plan)


def answer_or_estimate(
    lines: list[PhotoLine], rows: list[dict[str, Any]], facts: TreeFacts
) -> TreePlan | None:
    """Show the tree's answer, or only the estimate where no target can be told."""
    if not rows:
        return None
    seen = {limb.limb for limb in limbs_of_tree(rows, str(rows[0]["tree"]))[0]}
    known = len(seen | set(facts.limb_sizes))
    if facts.limbs_n and facts.limbs_n < known:
        st.error(f"{known} limbs are photographed or listed: the tree cannot have fewer.")
        return None
    try:
        answer = planned(lines, rows, facts)
    except BadInputError as fault:
        _show_plain(rows, facts, str(fault))
        return None
    sheet = answer.sheet
    words, _, other = headline(answer).partition(": ")
    if answer.count.total.as_seen:
        words = f"{_about(sheet.total)} {covers(sheet.total)}: {words}"
    st.markdown(f"### {words[:1].upper()}{words[1:]}")
    if other:
        st.markdown(f"**{plain(other[:1].upper() + other[1:])}.**")
    st.write("  \n".join(map(plain, [*work_lines(answer, units()), target_line(sheet.target)])))
    _show_sure(answer.count)
    st.image(draw_tree(sheet).svg(), width=520, alt=tree_words(sheet))
    pace = (
        () if facts.pace_n_per_min else ("Your own pace, typed below, gives the minutes of work.",)
    )
    with st.expander("Limb by limb, and what to bear in mind", key="limbs"):
        st.markdown(_table(sheet))
        own = [f"Limb {x.name}: keep {x.keep_words}." for x in sheet.limbs if x.own_words]
        own += [] if len(sheet.counted) == len(sheet.limbs) else [f"Not seen: {NOT_SEEN}"]
        st.write("  \n".join(map(plain, own)))
        st.caption("  \n".join(CAUTIONS_FULL))
        for note in (*answer.notes, *sheet.notes, *pace, *source_lines(sheet.target)):
            st.caption(plain(note))
    show_own_size(str(rows[0]["tree"]), sheet.keep_n)
    return answer


def show_own_size(name: str, keep_n: float) -> None:
    """Size at picking from the tree's last two recorded seasons, where there are two."""
    store, season = cache.records().store, cache.season_of(cache.tree_named(name))
    number = tree_id_of(store, name)
    past = [] if number is None else season_history(store, number)
    told = [
        (fact.fruit_after_n, fact.fruit_g)
        for fact in past
        if fact.year < season and fact.fruit_after_n and fact.fruit_g
    ]
    if len(told) >= 2:
        two = [(float(n or 0), float(g or 0)) for n, g in told[-2:]]
        st.write(f"Size at picking. {own_words(two, keep_n, units())}")


def _table(sheet: TreeSheet) -> str:
    """Each limb's share, with minutes where the pace is told."""
    columns = 6 if math.isfinite(sheet.work.minutes) else 5
    rows = []
    for limb in sheet.limbs:
        now, keep = "not seen", f"up to {limb.keep_n}"
        off, minutes = "-", "-"
        if limb.counted:
            now, keep = str(limb.whole_n), str(limb.keep_n)
            off, minutes = f"{limb.work.off_n:.0f}", f"{limb.work.minutes:.0f}"
        rows.append((plain(limb.name), now, keep, off, limb.final_n, minutes)[:columns])
    return table(("Limb", "Now", "Keep", "Take off", "At harvest", "Minutes")[:columns], rows)


def _show_plain(rows: Sequence[dict[str, Any]], facts: TreeFacts, why: str) -> None:
    """The estimate alone, where no number to keep can be told."""
    try:
        count = tree_count(rows, str(rows[0]["tree"]), facts)
    except BadInputError as fault:
        st.warning(plain(str(fault)))
        return
    st.markdown(f"### {_about(count.total)} {covers(count.total)}. How many should stay?")
    st.write(f"That is not known yet: {plain(why)}.")
    _show_sure(count)
    for note in (*count.notes, *common_practice_notes(count.total.value_n)):
        st.caption(plain(note))


def _about(total: Estimate) -> str:
    return f"About {total.value_n:.0f}" if math.isfinite(total.value_n) else "An unknown number of"


def _show_sure(count: TreeCount) -> None:
    said = estimate_lines(count)
    # where all limbs were photographed the heading says the first of it
    for line in said[1:] if count.total.as_seen else said:
        st.write(plain(line))
    if count.total.all_limbs:
        st.write("Taken as if these photos show every limb. If not, name the others below.")
    if count.surer:
        st.write(plain(count.surer))
