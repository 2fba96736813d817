"""The limbs of one tree through the seasons: before, target, after, what is still to do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

import screen_cache as cache
import streamlit as st
from screen_words import plain
from tree_rows import rows_of

from fruitcount.batch.limb_seasons import LimbSeason, limb_seasons
from fruitcount.months import MONTHS, season_year
from fruitcount.season import OrchardTree
from fruitcount.season.orchard import name_order

__all__ = ["history_of", "show_limbs", "sum_words", "table_of"]


def history_of(tree: OrchardTree, tree_id: int) -> list[LimbSeason]:
    """Each limb in each season that has counted photos, limbs in the order people sort them."""
    lines = [line for line in cache.records().photos(tree_id) if line.numbers]
    rows = [
        {**row, "year": season_year(row["on"], southern=tree.southern)}
        for row in rows_of(lines, tree.name)
    ]
    return sorted(limb_seasons(rows), key=lambda e: (name_order(e.limb), -e.year))


def show_limbs(tree: OrchardTree, tree_id: int) -> None:
    """A card a limb; on a phone one under the other."""
    st.markdown("**Its limbs, before and after**")
    entries = history_of(tree, tree_id)
    if not entries:
        st.caption(
            "No counted photos of its limbs yet. Add them on the Tree page, before and after "
            "thinning: each limb's counts then stand here, season by season."
        )
        return
    with st.container(horizontal=True, gap="small"):
        for limb in dict.fromkeys(e.limb for e in entries):
            mine = [e for e in entries if e.limb == limb]
            with st.container(border=True, width=350):
                title = f"Limb {limb}" if mine[0].named else f"No limb named: {limb}"
                st.markdown(f"**{plain(title)}**\n\n{table_of(mine)}\n\n{sum_words(mine[0])}")


def table_of(entries: Sequence[LimbSeason]) -> str:
    """One limb's seasons as a Markdown table of numbers and days."""
    lines = ["| Season | Before | Keep | After |", "|:--|--:|--:|--:|"]
    for e in entries:
        before, after = _cell(e.before_n, e.before_on), _cell(e.after_n, e.after_on)
        lines.append(f"| {e.year} | {before} | {_count(e.keep_n)} | {after} |")
    return "\n".join(lines)


def sum_words(last: LimbSeason) -> str:
    """What the newest season comes to, in one sentence."""
    if math.isfinite(last.off_n):
        gone = f"{last.off_n:.0f} off" if last.off_n >= 0 else f"{-last.off_n:.0f} more seen after"
        if not math.isfinite(last.over_n):
            return f"{last.year}: {gone}."
        rest = f"{last.over_n:.0f} still to take off" if last.over_n else "target reached"
        return f"{last.year}: {gone}, {rest}."
    if math.isfinite(last.before_n):
        return f"{last.year}: no photo after thinning yet."
    if math.isfinite(last.after_n):
        return f"{last.year}: {last.after_n:.0f} left, no photo before thinning."
    return f"{last.year}: its photos could not be counted."


def _cell(count_n: float, day: date | None) -> str:
    when = f" ({day.day}&nbsp;{MONTHS[day.month - 1][:3]})" if day else ""
    return f"**{count_n:.0f}**{when}" if math.isfinite(count_n) else "–"


def _count(value: float) -> str:
    return f"**{value:.0f}**" if math.isfinite(value) else "–"
