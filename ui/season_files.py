"""Files of a season, and the temperatures that say whether to thin earlier."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from datetime import date
from functools import partial
from pathlib import Path

import screen_cache as cache
import streamlit as st
from screen_downloads import by_file
from screen_words import plain, units

from fruitcount.errors import FruitcountError
from fruitcount.export.block_files import BlockCounts, block_trees
from fruitcount.export.ical import calendar_text
from fruitcount.export.report_block import block_summary
from fruitcount.export.report_page import sheet_settings
from fruitcount.export.report_season import season_log
from fruitcount.export.tree_source import records_source
from fruitcount.season import OrchardTree
from fruitcount.season.queue import QueueLine
from fruitcount.season.weather import heat_by_tree, read_hourly
from fruitcount.store.orchard import season_history, tree_id_of

__all__ = ["ask_heat", "show_files"]


def ask_heat(trees: Sequence[OrchardTree]) -> dict[str, float]:
    """Take a file of hourly temperatures; each tree's heat in the 30 days after its bloom.

    The file is read for this visit and not kept.
    """
    with st.expander("Hourly temperatures, to know whether to thin earlier"):
        st.write(
            "A warm month after bloom means thinning earlier. A CSV file with the columns time "
            "(2026-03-18T05:00) and temperature_c, an hour a line, tells it."
        )
        file = st.file_uploader("Temperatures (CSV)", type=["csv"])
        if file is None:
            return {}
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "temperatures.csv"
            path.write_bytes(file.getvalue())
            try:
                heat = heat_by_tree(trees, read_hourly(path))
            except FruitcountError as fault:
                st.error(plain(str(fault).replace(str(path), file.name)))
                return {}
        told = [f"{plain(name)}: {value:,.0f} degree hours" for name, value in heat.items()]
        st.write(
            "In the 30 days after bloom. " + "; ".join(told) + "."
            if told
            else "It tells of no tree: each needs its day of full bloom and the 30 days after it."
        )
        return heat


def show_files(lines: Sequence[QueueLine], trees: Sequence[OrchardTree], year: int) -> None:
    """The calendar, the log of the season, and a summary of each block."""
    store = cache.records().store
    how = sheet_settings(units())  # here: the address cannot be asked once a button is pressed

    def log() -> bytes:
        numbers = {tree.name: tree_id_of(store, tree.name) for tree in trees}
        history = {name: season_history(store, n) for name, n in numbers.items() if n is not None}
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
    _show_blocks(lines, year)


def _show_blocks(lines: Sequence[QueueLine], year: int) -> None:
    """A button a block; trees without a block make one of their own."""
    with st.expander("Summaries of the blocks"):
        st.write("Each tree's estimate with its interval, its target and the work, on paper.")
        pace = st.number_input(
            "Fruit you take off in a minute", 0.0, value=None, step=1.0, placeholder="not told"
        )

        how = sheet_settings(units())

        def summary(block: str) -> bytes:
            counts = BlockCounts(
                records_source(cache.records().store, year=year), pace_n_per_min=pace or None
            )
            part = block_trees([q for q in lines if q.tree.block == block], counts, year=year)
            return by_file(
                lambda path: block_summary(part[block], path, block=block, settings=how), ".pdf"
            )

        with st.container(horizontal=True):
            for number, block in enumerate(dict.fromkeys(q.tree.block for q in lines), start=1):
                st.download_button(
                    f"{plain(block) if block else 'Trees without a block'} (PDF)",
                    partial(summary, block),
                    f"block-{number}-{year}.pdf",
                    "application/pdf",
                    key=f"block{number}",
                    on_click="ignore",
                )
