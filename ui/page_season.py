"""The season page: what is due, the season as a picture, the weeks ahead, the files."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from functools import partial
from typing import Any

import screen_cache as cache
import streamlit as st
from screen_downloads import by_file, download_row
from screen_words import ask_number, ask_sheet, plain, telling, units
from season_tree import show_tree, tree_form

from fruitcount.errors import BadInputError
from fruitcount.export.ical import calendar_bytes
from fruitcount.export.report_block import block_summary
from fruitcount.export.report_page import sheet_settings, trees_told
from fruitcount.export.report_season import (
    CHART_ROWS,
    PICTURE_LEGEND,
    season_log,
    season_svg,
    season_words,
    week_cells,
)
from fruitcount.flags import CAUTIONS_FULL, CAUTIONS_SHORT
from fruitcount.jobs.season import SeasonBook, WorkFacts, history_of, season_book
from fruitcount.jobs.tree_source import TreeSource, records_source
from fruitcount.season.heat import heat_by_tree, read_weather
from fruitcount.season.orchard import OrchardTree
from fruitcount.season.queue import QueueLine, day_word
from fruitcount.store.orchard import load_trees, tree_id_of
from fruitcount.units import season_year

_SIGNS = {
    "late": "! late", "now": "➤ now", "second pass due": "➤ second pass",
    "measure again": "? measure again", "soon": "◷ soon",
    "second pass later": "◷ second pass later", "too early": "· too early",
    "not known": "? not known", "done": "✓ done", "over": "– over",
    "not thinned": "– not thinned", "leave it": "– left",
}  # fmt: skip


@telling
def show() -> None:
    """The page."""
    spot, drawers, last = (st.container() for _ in range(3))
    today, store = date.today(), cache.records().store
    trees = load_trees(store, day=today)
    usual = season_year(today, southern=bool(trees) and all(t.southern for t in trees))
    asked = int(last.number_input("Season of bloom", 2000, 2100, usual, width=150))
    year = None if asked == usual else asked  # else each tree's own, in its hemisphere
    trees = trees if year is None else load_trees(store, year=year)
    kept = partial(keep, year=year)
    if not trees:
        spot.info(
            "No trees yet. Add one, with its species, bloom date and ripening month: then this "
            "page says which tree is due."
        )
        with spot.expander("Add a tree", expanded=True, key="first"):
            tree_form(None, partial(kept, new=True))
        return
    with drawers:
        make = partial(season_book, trees, today, year=year, gdh30=ask_heat(trees))
        counts = partial(records_source, store, year=year, day=today)
        work, book = ask_work(make, counts), make()
        show_files(book, lambda: make(work=work, source=counts()))
        with st.expander("Add a tree", key="add"):
            tree_form(None, partial(kept, new=True))
        show_tree([line.tree for line in book.lines], asked, kept)
    with spot:
        show_queue(book.lines, year)
        show_picture(book)


def keep(tree: OrchardTree, *, year: int | None, new: bool = False) -> None:
    """Keep a changed tree in its season and show the page anew.

    Raises
    ------
    BadInputError
        When a new tree has the name of one that is there.
    """
    if new and tree_id_of(cache.records().store, tree.name) is not None:
        raise BadInputError("There is a tree of that name: change it under One tree.")
    cache.keep_tree(tree, year)
    st.rerun()


def show_queue(lines: list[QueueLine], year: int | None) -> None:
    """Trees with work for today first, each with its reason and a way to note it done."""
    due = [line for line in lines if line.for_today]
    of = f"{year}: " if year else ""
    st.header(f"{of}{len(due) or 'None'} of {trees_told(len(lines))} due now")
    ahead = [(line.due.first, line.tree.name) for line in lines if line.due and not line.closed]
    if ahead and not due:
        day, name = min(ahead)
        st.write(f"Next: {plain(name)}, from {day_word(day)}.")
    for line in due:
        with st.container(border=True):
            show_line(line, year)
    if due:
        st.caption("  \n".join(CAUTIONS_SHORT))
    if len(due) == len(lines):
        return
    rest = [line for line in lines if not line.for_today]
    with st.expander(f"Not due now: {len(rest)}", expanded=not due, key="others"):
        states = Counter(line.state for line in rest)
        st.caption(", ".join(f"{n} {state}" for state, n in states.items()))
        for line in rest:
            show_line(line, year)


def show_line(line: QueueLine, year: int | None) -> None:
    """One tree of the queue."""
    tree = line.tree
    what = ", ".join(plain(part) for part in (tree.variety, tree.block) if part)
    what = f" ({what})" if what else ""
    st.markdown(f"**{_SIGNS[line.state]}: {plain(tree.name)}**{what}  \n{plain(line.words)}")
    if line.closed:
        return
    word, field = "First pass done", "first_pass_on"
    if tree.first_pass_on:
        word, field = "Second pass done", "second_pass_on"
    with st.container(horizontal=True):
        changes: dict[str, Any] = {field: date.today()}
        if st.button(word, key=f"done{tree.name}"):
            keep(replace(tree, **changes), year=year)
        if st.button("Leave it this year", key=f"leave{tree.name}"):
            keep(replace(tree, leave_it=True), year=year)


def show_picture(book: SeasonBook) -> None:
    """The season as a line a tree."""
    shown = book.lines[:CHART_ROWS]
    # as wide as a phone: its words are read there
    svg = season_svg(shown, 380, book.today, size=12)
    if svg:
        st.image(svg, width=600, alt=season_words(shown))
        more = len(book.lines) - len(shown)
        st.caption(PICTURE_LEGEND + (f" {more} more trees are in the season log." if more else ""))


def ask_heat(trees: Sequence[OrchardTree]) -> dict[str, float]:
    """Take a weather station's file; each tree's heat in the 30 days after its bloom.

    The file is read for this visit and not kept.
    """
    with st.expander("Temperatures: thin earlier?", key="heat"):
        st.write(
            "A warm month after bloom means thinning earlier. A CSV file with the columns time "
            "(2026-03-18T05:00) and temperature_c or temperature_f shows it, a line at least "
            "every 3 hours."
        )
        weather = ask_sheet("Temperatures (CSV)", read_weather, "temperatures")
        if weather is None:
            return {}
        heat = heat_by_tree(trees, weather)
        told = [f"{plain(name)}: {plain(each.words)}" for name, each in heat.items()]
        st.write("  \n".join([*map(plain, weather.notes), "In the 30 days after bloom:", *told]))
        if not told:
            st.write("No tree has a day of full bloom yet.")
        return {name: each.gdh30 for name, each in heat.items()}


def ask_work(make: Callable[..., SeasonBook], counts: Callable[[], TreeSource]) -> WorkFacts:
    """The weeks ahead, against the hours that the grower has."""
    with st.expander("Work, week by week", key="work"):
        left, right = st.columns(2)
        pace = ask_number("Fruit you take off in a minute", where=left)
        hours = ask_number("Hours you have in a week", where=right)
        work = WorkFacts(pace_n_per_min=pace, hours_a_week=hours)
        book = make(work=work, source=counts() if pace else None)
        if not book.weeks:
            st.write("No tree has a day yet: each needs its day of full bloom, or a size.")
        else:
            for first, names, known in week_cells(book.weeks):
                told = plain(known).replace(" h", "\u00a0h")
                st.markdown(f"**From {first}: {told}**  \n{plain(names)}")
            if not pace:
                st.caption("Hours come from the counted photos once your pace is typed.")
        st.caption("  \n".join(CAUTIONS_FULL))
    return work


def show_files(book: SeasonBook, counted: Callable[[], SeasonBook]) -> None:
    """The calendar where it holds anything, the log of the season, and a summary of each block.

    Parameters
    ----------
    book : SeasonBook
    counted : callable
        Gives the same book with what the photos of its trees tell; called when a file is made.
    """
    how, year = sheet_settings(units()), book.year  # here: a button's file cannot ask the address

    def log() -> bytes:
        history = history_of(cache.records().store, [line.tree for line in book.lines])
        write = partial(season_log, book.lines, year=year, history=history)
        return by_file(partial(write, weeks=counted().weeks, settings=how), ".pdf")

    def summary(block: str) -> bytes:
        write = partial(block_summary, counted().blocks[block], block=block, settings=how)
        return by_file(write, ".pdf")

    calendar = calendar_bytes(book.lines, today=book.today)
    files: dict[str, tuple[str, Callable[[], bytes]]] = {
        "Season log (PDF)": (f"season-{year}.pdf", log)
    }
    if calendar:
        files = {"Calendar (for a phone)": ("thinning.ics", lambda: calendar), **files}
    download_row(files)
    with st.expander("Summaries of the blocks", key="blocks"):
        st.write("Each tree's estimate with its interval, its target and the work, on paper.")
        words = {block: plain(block) or "Trees without a block" for block in book.blocks}
        download_row({
            f"{words[block]} (PDF)": (f"block-{number}-{year}.pdf", partial(summary, block))
            for number, block in enumerate(book.blocks, start=1)
        })  # fmt: skip
