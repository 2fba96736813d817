"""The whole tree: photos put together by limb, the estimate, each limb's share, the files."""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import date
from functools import lru_cache
from typing import Any

import numpy as np
import screen_cache as cache
import streamlit as st
from limb_size import own_words
from screen_photos import preview_jpeg
from screen_store import PhotoLine
from screen_words import plain, units
from tree_files import planned, show_files
from tree_hand import ask_hand_counts

from fruitcount.batch.alike import look_hash, same_looks
from fruitcount.batch.group import LimbCount, group_limbs
from fruitcount.batch.job import compare_moments
from fruitcount.batch.trees import estimate_trees
from fruitcount.batch.whole_tree import LimbSize, TreeFacts, limbs_of_tree
from fruitcount.errors import BadInputError, FruitcountError
from fruitcount.export.tree_work_sheet import estimate_line, short_source
from fruitcount.export.words import CAUTION
from fruitcount.image.opencv import cv2
from fruitcount.season import OrchardTree
from fruitcount.species import load_species
from fruitcount.store.orchard import load_trees, save_tree, season_history, tree_id_of
from fruitcount.tree import Estimate
from fruitcount.units import KG_PER_LB, MM_PER_INCH

__all__ = ["noticed", "rows_of", "show_total"]


def show_total(lines: list[PhotoLine], name: str) -> None:
    """Fruit on the whole tree, what to keep on each limb, and the files."""
    st.subheader("Whole tree")
    lines = [line for line in lines if line.numbers]
    rows = rows_of(lines, name)
    answer, asked, rest = st.container(), st.container(), st.container()
    try:
        with asked:
            st.markdown("**What you know of the tree**")
            facts = ask_facts(lines, name)
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
                "look": look_of(line.key),
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
    )
    st.caption("Limbs not photographed, by caliper just above the fork. Empty if there are none.")
    left, right = st.columns(2)
    limbs_n = left.number_input(
        "Or how many limbs the tree has", min_value=0, step=1, value=None, placeholder="not told"
    )
    crates = right.number_input(
        "Crates wanted from this tree", min_value=0.0, value=None, placeholder="not told"
    )
    unit = "lb" if us else "kg"
    crate = 10.0
    if crates:
        crate = right.number_input(f"Fruit in a full crate, {unit}", min_value=0.1, value=10.0)
    tree = ask_trunk(_tree(name), us=us)
    sizes = {
        f"other {i}": LimbSize(v * (MM_PER_INCH if us else 1.0))
        for i, v in enumerate(_numbers_in(others, words), start=1)
    }
    hand = ask_hand_counts(name)
    species = next((p.inputs["species"] for p in lines if p.inputs.get("species")), "peach")
    species = tree.species or species
    by_trunk = bool(tree.trunk_circumference_mm and tree.planted_year)
    if by_trunk and not load_species(species).trunk_rows:
        st.caption(f"No published count by trunk is known for {load_species(species).title}.")
        by_trunk = False
    return TreeFacts(
        species=species,
        ripening_month=tree.ripening_month,
        southern=tree.southern,
        age_years=max(date.today().year - tree.planted_year, 2) if tree.planted_year else None,
        trunk_circumference_mm=tree.trunk_circumference_mm if by_trunk else None,
        crates_n=crates or None,
        crate_kg=(crate * (KG_PER_LB if us else 1.0)) if crates else None,
        limbs_n=int(limbs_n) if limbs_n else None,
        limb_sizes=sizes,
        seen_true=hand,
    )


def ask_trunk(tree: OrchardTree, *, us: bool) -> OrchardTree:
    """Ask for trunk and age; they are kept with the tree and lead to its target.

    The crates lead where they are told, then trunk and age, then the spacing.
    """
    left, right = st.columns(2)
    unit, per = ("in", MM_PER_INCH) if us else ("cm", 10.0)
    was = tree.trunk_circumference_mm
    shown = None if was is None else round(was / per, 1)
    trunk = left.number_input(
        f"Trunk, measured around, {unit}",
        min_value=0.0,
        max_value=500.0,
        value=shown,
        step=1.0,
        placeholder="by tape, 20 cm above ground" if not us else "by tape, 8 in above ground",
        key=f"trunk{tree.name}{us}",
    )
    year = date.today().year
    age = right.number_input(
        "Years since it was planted",
        min_value=0,
        max_value=150,
        value=year - tree.planted_year if tree.planted_year else None,
        step=1,
        placeholder="not told",
        key=f"age{tree.name}",
    )
    if bool(trunk) != bool(age):
        lack = "its age" if trunk else "its trunk"
        st.caption(f"Tell {lack} too: then the number to keep comes from the trunk.")
    told = replace(
        tree,
        trunk_circumference_mm=was if trunk == shown else (trunk * per if trunk else None),
        planted_year=year - int(age) if age else None,
    )
    if told != tree:
        save_tree(cache.records().store, told, year=year)
    return told


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
    (told,) = estimate_trees(
        limbs,
        all_diameters_mm={tree: known} if known else None,
        limbs_n={tree: facts.limbs_n or len(limbs)},
    ) or (None,)
    if told is None or told.estimate is None:
        st.warning(plain(told.why if told else why))
        return
    st.markdown(f"### {_about(told.estimate)} fruit on the tree")
    _show_sure(told.estimate)
    st.write(f"No number to keep: {plain(why)}.")


def _about(total: Estimate) -> str:
    return f"About {total.value_n:.0f}" if math.isfinite(total.value_n) else "An unknown number of"


def _show_sure(total: Estimate) -> None:
    if not total.told or total.low_n < total.high_n:
        st.write(plain(estimate_line(total)))
    else:
        st.write("Taken as if these photos show every limb. If not, tell of the others below.")


def show_changes(rows: list[dict[str, Any]]) -> None:
    """Before against after thinning, for limbs that have photos of both."""
    changes = compare_moments(group_limbs(rows))
    if not changes:
        return
    table = ["| Limb | Before | After | Off |", "|:--|--:|--:|--:|"]
    for (_, limb), c in changes.items():
        table.append(f"| {plain(limb)} | {c.before_n:.0f} | {c.after_n:.0f} | {c.off_n:.0f} |")
    st.markdown("**Before and after thinning**\n\n" + "\n".join(table))


def show_noticed(rows: list[dict[str, Any]]) -> None:
    """What was noticed of photos that belong together: copies, two sides, two moments."""
    words = noticed(rows)
    if words:
        st.markdown("**Noticed**\n\n" + "\n".join(f"- {plain(w)}" for w in words))


def noticed(rows: list[dict[str, Any]]) -> list[str]:
    """Sentences on photos that show the same, and how they are counted."""
    out: list[str] = []
    for moment in dict.fromkeys(row["moment"] for row in rows):
        part = [row for row in rows if row["moment"] == moment]
        for row, first in zip(part, same_looks([r["look"] for r in part]), strict=True):
            if part[first] is not row:
                out.append(f"{row['file']} looks the same as {part[first]['file']}: counted once.")
    limbs: dict[str, list[LimbCount]] = {}
    for limb in group_limbs(rows):
        limbs.setdefault(limb.limb, []).append(limb)
    for name, moments in limbs.items():
        for limb in moments:
            if len(limb.files) > 1:
                when = f" {limb.moment} thinning" if limb.moment else ""
                out.append(f"Limb {name}{when} is on {len(limb.files)} photos: {limb.how}.")
        if {"before", "after"} <= {limb.moment for limb in moments}:
            out.append(f"Limb {name} was photographed before and after: compared below.")
    return out


@lru_cache(maxsize=4096)
def look_of(key: str) -> str:
    """Hash of a photo's looks, from its small copy; empty when there is none."""
    with suppress(FruitcountError):
        data = preview_jpeg(cache.records().path(key), 320)
        rgb = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB)
        return look_hash(np.asarray(rgb, np.uint8))
    return ""
