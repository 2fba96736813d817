"""One tree of the season page: its years, its limbs before and after, and what is known of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from datetime import date
from typing import Any

import screen_cache as cache
import streamlit as st
from screen_words import ask_number, plain, species_titles, table, units
from tree_total import rows_of

from fruitcount.errors import FruitcountError
from fruitcount.season.orchard import OrchardTree, SeasonFacts, name_order
from fruitcount.store.orchard import save_season_facts, season_history, tree_id_of
from fruitcount.tree.group import LimbSeason, limb_seasons
from fruitcount.units import MONTHS, season_year, unit_of


def show_tree(trees: list[OrchardTree], year: int, keep: Callable[[OrchardTree], None]) -> None:
    """Details and past seasons of one tree, and of each of its limbs.

    Parameters
    ----------
    trees : list of OrchardTree
        In the order to offer them; the one named in the address comes first.
    year : int
        Season that is shown.
    keep : callable
        Takes the changed tree.
    """
    names = [tree.name for tree in trees]
    asked = st.query_params.get("tree", "")
    name = st.selectbox("One tree", names, index=names.index(asked) if asked in names else 0)
    tree = next(t for t in trees if t.name == name)
    tree_id = tree_id_of(cache.records().store, name)
    if tree_id is None:
        return
    past = season_history(cache.records().store, tree_id)
    told = [f for f in past if any(v not in (None, "", f.year) for v in asdict(f).values())]
    if told:
        st.markdown(history_table(told, units()))
    else:
        st.caption("No counts or harvest written down for this tree yet.")
    with st.expander(f"Write down counts and harvest of {year}", key="facts"):
        facts_form(name, tree_id, year)
    with st.expander("Change the tree", key="change"):
        tree_form(tree, keep)
    show_limbs(tree, tree_id)


def history_table(seasons: Sequence[SeasonFacts], system: str) -> str:
    """Seasons as a Markdown table, newest first."""
    (kg_name, kg, _), (g_name, g, places) = (unit_of(k, system) for k in ("crop", "fruit"))

    def cell(value: float | None, unit: float = 1.0, digits: int = 0) -> str:
        return "–" if value is None else f"{value / unit:.{digits}f}"

    head = ("Season", "Before", "After", f"Harvest, {kg_name}", f"One fruit, {g_name}")
    rows = [
        (s.year, cell(s.fruit_before_n), cell(s.fruit_after_n), cell(s.harvest_kg, kg, 1),
         cell(s.fruit_g, g, places))
        for s in sorted(seasons, key=lambda s: -s.year)
    ]  # fmt: skip
    notes = [f"{s.year}: {plain(s.note)}" for s in seasons if s.note]
    return "\n\n".join([table(head, rows), *notes])


def facts_form(name: str, tree_id: int, year: int) -> None:
    """Counts and harvest of one season, typed by hand; what is left empty stays as it was."""
    (kg_name, kg, _), (g_name, g, _) = (unit_of(kind, units()) for kind in ("crop", "fruit"))
    with st.form(f"facts{name}{year}{kg_name}", border=False, clear_on_submit=True):
        left, right = st.columns(2)
        before = ask_number("Fruit before thinning", where=left, whole=True, zero=True)
        after = ask_number("Fruit after thinning", where=right, whole=True, zero=True)
        left, right = st.columns(2)
        harvest = ask_number(f"Harvest, {kg_name}", where=left, per=kg, zero=True)
        one = ask_number(f"One ripe fruit, {g_name}", where=right, per=g)
        if not st.form_submit_button("Save", width="stretch"):
            return
    facts = SeasonFacts(year, before, after, harvest, one)
    save_season_facts(cache.records().store, tree_id, facts=facts)
    st.rerun()


def tree_form(tree: OrchardTree | None, keep: Callable[[OrchardTree], None]) -> None:
    """What may be told of a tree; without one, of a new tree and no more than it needs at first.

    Parameters
    ----------
    tree : OrchardTree or None
    keep : callable
        Takes the tree as it was told.
    """
    titles = species_titles() if tree is None else {"": "not known", **species_titles()}
    was = OrchardTree("?", species="peach") if tree is None else tree
    kinds, day = list(titles), "YYYY-MM-DD"
    told: dict[str, Any] = {}
    with st.form(f"tree{tree.name}" if tree else "new", border=False, clear_on_submit=tree is None):
        if tree is None:
            told["name"] = st.text_input("Name or place", placeholder="Row 3, tree 7", max_chars=60)
        left, right = st.columns(2)
        at = kinds.index(was.species) if was.species in kinds else 0
        told["species"] = left.selectbox("Species", kinds, at, format_func=titles.get)
        told["variety"] = right.text_input("Variety, in your words", was.variety, max_chars=60)
        month = was.ripening_month
        ripens = left.selectbox(
            "Ripens in", MONTHS, month - 1 if month else None, placeholder="not known"
        )
        told["bloom_date"] = right.date_input("Full bloom", was.bloom_date, format=day)
        told["southern"] = st.toggle("South of the equator", was.southern)
        if tree is not None:
            told["block"] = left.text_input("Row or block", was.block, max_chars=60)
            told["harvest_days"] = right.number_input(
                "Days from bloom to harvest", 30, 330, was.harvest_days, placeholder="not known"
            )
            told["first_pass_on"] = left.date_input("First pass on", was.first_pass_on, format=day)
            told["second_pass_on"] = right.date_input(
                "Second pass on", was.second_pass_on, format=day
            )
            size = left.number_input("Middle fruitlet size, mm", 0.0, 60.0, was.size_mm)
            told["size_mm"] = size or None
            told["leave_it"] = st.toggle("Leave it this year", was.leave_it)
        if not st.form_submit_button("Save", width="stretch"):
            return
    told["ripening_month"] = MONTHS.index(ripens) + 1 if ripens else None
    told = {k: v.strip() if isinstance(v, str) else v for k, v in told.items()}
    try:
        keep(replace(was, **told))
    except FruitcountError as fault:
        st.error(plain(str(fault)))


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
    entries = history_of(tree, tree_id)
    if not entries:
        st.caption(
            "No counted photos of its limbs yet. Add them on the Tree page, before and after "
            "thinning: each limb's counts then stand here, season by season."
        )
        return
    with (
        st.expander("Its limbs, before and after", key="limbs"),
        st.container(horizontal=True, gap="small"),
    ):
        for limb in dict.fromkeys(e.limb for e in entries):
            mine = [e for e in entries if e.limb == limb]
            with st.container(border=True, width=350):
                title = f"Limb {limb}" if mine[0].named else f"No limb named: {limb}"
                st.markdown(f"**{plain(title)}**\n\n{table_of(mine)}\n\n{sum_words(mine[0])}")


def table_of(entries: Sequence[LimbSeason]) -> str:
    """One limb's seasons as a Markdown table of numbers and days."""

    def cell(count_n: float, day: date | None = None) -> str:
        when = f" ({day.day}&nbsp;{MONTHS[day.month - 1][:3]})" if day else ""
        return f"**{count_n:.0f}**{when}" if math.isfinite(count_n) else "–"

    rows = [
        (e.year, cell(e.before_n, e.before_on), cell(e.keep_n), cell(e.after_n, e.after_on))
        for e in entries
    ]
    return table(("Season", "Before", "Keep", "After"), rows)


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
