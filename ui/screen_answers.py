"""The grower's answers beside the photo: species, pass, month, spacing, size, drop, caliper."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st
from screen_words import ask_number, species_titles, units

from fruitcount.plan.inputs import PLAN_CHOICES
from fruitcount.plan.words import TITLES
from fruitcount.species.model import load_species
from fruitcount.units import MONTHS, unit_of

# What is asked: name in the records, words, and what is measured.
_LENGTHS = {
    "spacing_mm": ("Spacing wanted", "length"),
    "harvest_diameter_mm": ("Ripe size wanted", "size"),
    "limb_length_mm": ("Limb length by tape", "length"),
    "base_diameter_mm": ("Limb thickness at base", "size"),
}


def answers_form(key: str, facts: Mapping[str, Any]) -> dict[str, Any]:
    """Show the questions; return the answers as they stand now.

    Parameters
    ----------
    key : str
        Prefix of the widgets, one a photo.
    facts : mapping
        Answers kept before.
    """
    titles = species_titles()
    now: dict[str, Any] = dict(facts)
    left, right = st.columns(2)

    def choose(box: Any, words: str, name: str, options: Mapping[Any, str]) -> None:
        was = facts.get(name)
        at = list(options).index(was) if was in options else 0
        now[name] = box.selectbox(words, options, at, format_func=options.get, key=key + name)

    choose(left, "Species", "species", {"peach": titles["peach"], **titles})
    month_words: dict[int | None, str] = {None: "not known", **dict(enumerate(MONTHS, start=1))}
    choose(left, "Ripens in", "ripening_month", month_words)
    yes_no = {None: "not known", True: "yes", False: "no"}
    choose(left, "Natural drop over?", "drop_done", yes_no)
    choose(right, "Pass", "pass_number", {1: "first", 2: "second, final"})
    choose(right, "Plan", "plan_choice", {name: TITLES[name] for name in PLAN_CHOICES})

    def length(name: str, box: Any, hint: str) -> None:
        words, kind = _LENGTHS[name]
        unit, per, _ = unit_of(kind, units())
        now[name] = ask_number(
            f"{words}, {unit}", facts.get(name), where=box, per=per, hint=hint, max_value=5000.0,
            key=f"{key}{name}{unit}"
        )  # fmt: skip

    length("spacing_mm", right, _usual_spacing(now["species"]))
    length("harvest_diameter_mm", right, "usual")
    with st.expander("More about this limb", key=f"{key}more"):
        switches = {
            "southern": "South of the equator",
            "light_set": "The set is light: leave it",
            "allow_pairs": "Two may stay in a large cluster",
        }
        for name, words in switches.items():
            now[name] = st.toggle(words, bool(facts.get(name)), key=key + name)
        for name in ("limb_length_mm", "base_diameter_mm"):
            length(name, st, "measured on the photo")
        cap, most = facts.get("cap"), "Never keep more than"
        now["cap"] = ask_number(most, cap, whole=True, hint="no limit", key=f"{key}cap")
    return now


def _usual_spacing(name: str) -> str:
    species = load_species(name)
    if not species.thinned:
        return "not thinned"
    _, per, _ = unit_of("length", units())
    low, high = (v.number / per for v in (species.spacing_low_mm, species.spacing_high_mm))
    return f"usual, {low:.0f} to {high:.0f}"
