"""The season page: every tree, what is due, what is done, and the years before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import date

import screen_cache as cache
import streamlit as st
from screen_words import plain, species_titles, units
from season_files import ask_heat, show_files
from season_limbs import show_limbs

from fruitcount.errors import FruitcountError
from fruitcount.months import MONTHS
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
from fruitcount.units import KG_PER_LB

__all__ = ["history_table", "show"]

G_PER_OZ = KG_PER_LB * 1000 / 16

_SIGNS = {
    "late": "! late",
    "now": "➤ now",
    "second pass due": "➤ second pass",
    "soon": "◷ soon",
    "second pass later": "◷ second pass later",
    "too early": "· too early",
    "not told": "? not told",
    "done": "✓ done",
    "over": "– over",
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
    day = today if year == today.year else date(year, today.month, min(today.day, 28))
    queue_spot = st.container()
    lines = queue(trees, day, gdh30_by_tree=ask_heat(trees))
    with queue_spot:
        show_queue(lines, year)
    show_totals(lines)
    show_files(lines, trees, year)
    show_tree([line.tree for line in lines], year)


def add_tree(year: int) -> None:
    """A form for one more tree."""
    titles = species_titles()
    with st.expander("Add a tree"), st.form("tree", border=False, clear_on_submit=True):
        name = st.text_input("Name or place", placeholder="Row 3, tree 7", max_chars=60)
        left, right = st.columns(2)
        usual = list(titles).index("peach")
        species = left.selectbox("Species", list(titles), usual, format_func=lambda n: titles[n])
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
    what = f" ({what})" if what else ""
    st.markdown(f"**{_SIGNS[line.state]}: {plain(tree.name)}**{what}  \n{plain(line.reason)}")
    if line.closed:
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
    """How far the season is, in one line."""
    counts = {
        "done": sum(line.state == "done" for line in lines),
        "after the first pass": sum(line.state.startswith("second pass") for line in lines),
        "left alone": sum(line.state in ("leave it", "not thinned") for line in lines),
    }
    told = ", ".join(f"**{n}** {words}" for words, n in counts.items())
    trees = "tree" if len(lines) == 1 else "trees"
    st.markdown(f"**{len(lines)}** {trees} in all: {told}.")


def show_tree(trees: list[OrchardTree], year: int) -> None:
    """Details and past seasons of one tree, and of each of its limbs.

    Parameters
    ----------
    trees : list of OrchardTree
        In the order to offer them; the one named in the address comes first.
    year : int
    """
    st.subheader("One tree")
    names = [tree.name for tree in trees]
    asked = st.query_params.get("tree", "")
    name = st.selectbox("Tree", names, index=names.index(asked) if asked in names else 0)
    tree = next(t for t in trees if t.name == name)
    tree_id = tree_id_of(cache.records().store, name)
    if tree_id is None:
        return
    show_history(tree_id)
    with st.expander(f"Write down counts and harvest of {year}"):
        facts_form(name, tree_id, year)
    with st.expander("Change the tree"):
        change_tree(tree, year)
    show_limbs(tree, tree_id)


def show_history(tree_id: int) -> None:
    """The tree's seasons, newest first."""
    past = season_history(cache.records().store, tree_id)
    told = [f for f in past if any(v not in (None, "", f.year) for v in asdict(f).values())]
    if told:
        st.markdown(history_table(told, us=units() == "us"))
    else:
        st.caption("No counts or harvest written down for this tree yet.")


def history_table(seasons: Sequence[SeasonFacts], *, us: bool) -> str:
    """Seasons as a Markdown table, newest first."""
    kg, g = ("lb", "oz") if us else ("kg", "g")
    lines = [
        f"| Season | Before | After | Harvest, {kg} | One fruit, {g} |",
        "|:--" + "|--:" * 4 + "|",
    ]
    for s in sorted(seasons, key=lambda s: -s.year):
        cells = (
            _number(s.fruit_before_n), _number(s.fruit_after_n),
            _number(s.harvest_kg, KG_PER_LB if us else 1.0, 1),
            _number(s.fruit_g, G_PER_OZ if us else 1.0, 1 if us else 0),
        )  # fmt: skip
        lines.append(f"| {s.year} | {' | '.join(cells)} |")
    notes = [f"{s.year}: {plain(s.note)}" for s in seasons if s.note]
    return "\n".join(lines) + "".join(f"\n\n{note}" for note in notes)


def _number(value: float | None, unit: float = 1.0, digits: int = 0) -> str:
    return "–" if value is None else f"{value / unit:.{digits}f}"


def facts_form(name: str, tree_id: int, year: int) -> None:
    """Counts and harvest of one season, typed by hand; what is left empty stays as it was."""
    us = units() == "us"
    with st.form(f"facts{name}{year}{us}", border=False, clear_on_submit=True):
        left, right = st.columns(2)
        before = left.number_input("Fruit before thinning", 0.0, value=None, step=1.0)
        after = right.number_input("Fruit after thinning", 0.0, value=None, step=1.0)
        left, right = st.columns(2)
        harvest = left.number_input(f"Harvest, {'lb' if us else 'kg'}", 0.0, value=None)
        one = right.number_input(f"One ripe fruit, {'oz' if us else 'g'}", 0.0, value=None)
        if not st.form_submit_button("Keep", width="stretch"):
            return
    facts = SeasonFacts(
        year,
        fruit_before_n=before,
        fruit_after_n=after,
        harvest_kg=None if harvest is None else harvest * (KG_PER_LB if us else 1.0),
        fruit_g=None if one is None else one * (G_PER_OZ if us else 1.0),
    )
    save_season_facts(cache.records().store, tree_id, facts=facts)
    st.rerun()


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
        if first and second and second < first:
            st.error("The second pass cannot be before the first.")
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
