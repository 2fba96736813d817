"""The season page: every tree, what is due, what is done, and the years before."""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import date
from functools import partial
from typing import Any

import screen_cache as cache
import streamlit as st
from screen_downloads import by_file, sheet_settings
from screen_words import MONTHS, plain, species_titles, units

from fruitcount.errors import FruitcountError
from fruitcount.export.ical import calendar_text
from fruitcount.export.report_season import season_log
from fruitcount.season import OrchardTree
from fruitcount.season.compare import SeasonFacts
from fruitcount.season.queue import QueueLine, queue
from fruitcount.store.orchard import (
    load_trees,
    save_season_facts,
    save_tree,
    season_history,
    tree_id_of,
)

__all__ = ["show"]

_SIGNS = {
    "late": "❗ late",
    "now": "➤ now",
    "second pass due": "➤ second pass",
    "soon": "◷ soon",
    "second pass later": "◷ second pass later",
    "too early": "· too early",
    "not told": "? not told",
    "done": "✓ done",
    "not thinned": "– not thinned",
    "leave it": "– left",
}


def show() -> None:
    """The page."""
    st.header("The season")
    today = date.today()
    year = int(st.number_input("Year", 2000, 2100, today.year, width=160))
    store = cache.records().store
    trees = load_trees(store, year=year)
    add_tree(year)
    if not trees:
        st.info(
            "No trees yet. Add one above, with its species, bloom date and ripening month: then "
            "this page says which tree is due."
        )
        return
    lines = queue(
        trees, today if year == today.year else date(year, today.month, min(today.day, 28))
    )
    show_queue(lines, year)
    show_totals(lines)
    show_files(lines, trees, year)
    show_tree(trees, year)


def show_files(lines: list[QueueLine], trees: list[OrchardTree], year: int) -> None:
    """The calendar and the log of the season."""
    store = cache.records().store

    def log() -> bytes:
        numbers = {tree.name: tree_id_of(store, tree.name) for tree in trees}
        history = {name: season_history(store, n) for name, n in numbers.items() if n is not None}
        how = sheet_settings(units())
        write = partial(season_log, trees, year=year, history=history, settings=how)
        return by_file(write, ".pdf")

    with st.container(horizontal=True):
        st.download_button(
            "Calendar of what is due (for a phone)",
            lambda: calendar_text(lines, today=date.today()).encode(),
            "thinning.ics",
            "text/calendar",
            on_click="ignore",
        )
        st.download_button(
            "Season log (PDF)", log, f"season-{year}.pdf", "application/pdf", on_click="ignore"
        )


def add_tree(year: int) -> None:
    """A form for one more tree."""
    titles = species_titles()
    with st.expander("Add a tree"), st.form("tree", border=False, clear_on_submit=True):
        name = st.text_input("Name or place", placeholder="Row 3, tree 7", max_chars=60)
        left, right = st.columns(2)
        species = left.selectbox("Species", list(titles), format_func=lambda n: titles[n])
        variety = right.text_input("Variety, in your words", max_chars=60)
        month = left.selectbox("Ripens in", MONTHS, index=None, placeholder="not told")
        bloom = right.date_input("Full bloom", None, format="YYYY-MM-DD")
        southern = st.toggle("South of the equator")
        if not st.form_submit_button("Keep", width="stretch"):
            return
        try:
            tree = OrchardTree(
                name.strip(),
                species=species,
                variety=variety.strip(),
                ripening_month=MONTHS.index(month) + 1 if month else None,
                southern=southern,
                bloom_date=bloom,
            )
            save_tree(cache.records().store, tree, year=year)
        except FruitcountError as fault:
            st.error(plain(str(fault)))
            return
    st.rerun()


def show_queue(lines: list[QueueLine], year: int) -> None:
    """Trees with work for today first, each with its reason and a way to note it done."""
    due = [line for line in lines if line.for_today]
    st.subheader(f"For today: {len(due)}")
    for line in due:
        with st.container(border=True):
            show_line(line, year)
    rest = [line for line in lines if not line.for_today]
    with st.expander(f"The others: {len(rest)}", expanded=not due):
        for line in rest:
            show_line(line, year)


def show_line(line: QueueLine, year: int) -> None:
    """One tree of the queue."""
    tree = line.tree
    what = ", ".join(plain(part) for part in (tree.variety, tree.block) if part)
    st.markdown(f"**{_SIGNS[line.state]}: {plain(tree.name)}** {what}  \n{plain(line.reason)}")
    if line.state in ("done", "not thinned", "leave it"):
        return
    word = "Second pass done" if tree.first_pass_on else "First pass done"
    with st.container(horizontal=True):
        if st.button(word, key=f"done{tree.name}"):
            if tree.first_pass_on:
                keep(replace(tree, second_pass_on=date.today()), year)
            keep(replace(tree, first_pass_on=date.today()), year)
        if st.button("Leave it this year", key=f"leave{tree.name}"):
            keep(replace(tree, leave_it=True), year)


def keep(tree: OrchardTree, year: int) -> None:
    """Keep a changed tree and show the page anew."""
    save_tree(cache.records().store, tree, year=year)
    st.rerun()


def show_totals(lines: list[QueueLine]) -> None:
    """How far the season is."""
    done = sum(line.state == "done" for line in lines)
    left = sum(line.state in ("leave it", "not thinned") for line in lines)
    once = sum(line.state.startswith("second pass") for line in lines)
    with st.container(horizontal=True, gap="large"):
        st.metric("Trees", len(lines), width="content")
        st.metric("Done", done, width="content")
        st.metric("First pass only", once, width="content")
        st.metric("Left", left, width="content")


def show_tree(trees: list[OrchardTree], year: int) -> None:
    """Details and past seasons of one tree."""
    st.subheader("One tree")
    name = st.selectbox("Tree", [tree.name for tree in trees])
    tree = next(t for t in trees if t.name == name)
    with st.expander("Change it"):
        change_tree(tree, year)
    tree_id = tree_id_of(cache.records().store, name)
    if tree_id is None:
        return
    with st.form(f"facts{name}{year}"):
        st.write(f"Counts and harvest of {year}")
        left, right = st.columns(2)
        facts = SeasonFacts(
            year,
            fruit_before_n=left.number_input("Fruit before thinning", 0.0, value=None),
            fruit_after_n=right.number_input("Fruit after thinning", 0.0, value=None),
            harvest_kg=left.number_input("Harvest, kg", 0.0, value=None),
            fruit_g=right.number_input("One ripe fruit, g", 0.0, value=None),
        )
        if st.form_submit_button("Keep", width="stretch"):
            save_season_facts(cache.records().store, tree_id, facts=facts)
    past = [asdict(fact) for fact in season_history(cache.records().store, tree_id)]
    if past:
        st.dataframe(past, hide_index=True, column_config=_HEADINGS)
    else:
        st.caption("No counts kept for this tree yet.")


_HEADINGS: dict[str, Any] = {
    "year": st.column_config.NumberColumn("Year", format="%d"),
    "fruit_before_n": "Fruit before",
    "fruit_after_n": "Fruit after",
    "harvest_kg": "Harvest, kg",
    "fruit_g": "One fruit, g",
    "note": "Note",
}


def change_tree(tree: OrchardTree, year: int) -> None:
    """Everything that may be told of one tree, but for its name."""
    titles = {"": "not told", **species_titles()}
    with st.form(f"change{tree.name}{year}", border=False):
        left, right = st.columns(2)
        species = left.selectbox(
            "Species", list(titles), list(titles).index(tree.species), format_func=titles.get
        )
        variety = right.text_input("Variety, in your words", tree.variety, max_chars=60)
        month = left.selectbox(
            "Ripens in",
            MONTHS,
            index=tree.ripening_month - 1 if tree.ripening_month else None,
            placeholder="not told",
        )
        block = right.text_input("Row or block", tree.block, max_chars=60)
        bloom = left.date_input("Full bloom", tree.bloom_date, format="YYYY-MM-DD")
        size = right.number_input("Middle fruitlet size, mm", 0.0, 60.0, tree.size_mm)
        first = left.date_input("First pass on", tree.first_pass_on, format="YYYY-MM-DD")
        second = right.date_input("Second pass on", tree.second_pass_on, format="YYYY-MM-DD")
        leave = st.toggle("Leave it this year", tree.leave_it)
        if not st.form_submit_button("Keep", width="stretch"):
            return
        try:
            changed = replace(
                tree,
                species=str(species),
                variety=variety.strip(),
                ripening_month=MONTHS.index(month) + 1 if month else None,
                block=block.strip(),
                bloom_date=bloom,
                size_mm=size or None,
                first_pass_on=first,
                second_pass_on=second,
                leave_it=leave,
            )
            save_tree(cache.records().store, changed, year=year)
        except FruitcountError as fault:
            st.error(plain(str(fault)))
            return
    st.rerun()
