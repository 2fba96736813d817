"""The grower's answers beside the photo: species, pass, month, spacing, size, drop, caliper."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st
from screen_words import species_titles

from fruitcount.plan.inputs import PLAN_CHOICES
from fruitcount.plan.words import TITLES
from fruitcount.species.loader import load_species
from fruitcount.units import MM_PER_INCH, MONTHS

# What is asked: name in the records, words in cm or mm, words in inches, mm in one unit shown.
FIELDS: dict[str, tuple[str, str, float]] = {
    "spacing_mm": ("Spacing wanted, cm", "Spacing wanted, in", 10.0),
    "harvest_diameter_mm": ("Ripe size wanted, mm", "Ripe size wanted, in", 1.0),
    "limb_length_mm": ("Limb length by tape, cm", "Limb length by tape, in", 10.0),
    "base_diameter_mm": ("Limb thickness at base, mm", "Limb thickness at base, in", 1.0),
}
_YES_NO = {"not known": None, "yes": True, "no": False}


def to_shown(name: str, value_mm: float | None, us: bool) -> float | None:
    """A length as it stands in its box."""
    if value_mm is None:
        return None
    return round(value_mm / (MM_PER_INCH if us else FIELDS[name][2]), 2)


def from_shown(name: str, shown: float | None, us: bool) -> float | None:
    """What stands in a box, in mm; empty and zero mean "not known"."""
    if not shown:
        return None
    return float(shown) * (MM_PER_INCH if us else FIELDS[name][2])


def answers_form(key: str, facts: Mapping[str, Any], us: bool) -> dict[str, Any]:
    """Show the questions; return the answers as they stand now.

    Parameters
    ----------
    key : str
        Prefix of the widgets, one a photo.
    facts : mapping
        Answers kept before.
    us : bool
        Inches in place of cm and mm.
    """
    titles = species_titles()
    now: dict[str, Any] = dict(facts)
    left, right = st.columns(2)
    with left:
        names = list(titles)
        at = (
            names.index(facts["species"]) if facts.get("species") in names else names.index("peach")
        )
        now["species"] = st.selectbox(
            "Species", names, index=at, format_func=lambda n: titles[n], key=f"{key}species"
        )
        months = [None, *range(1, 13)]
        now["ripening_month"] = st.selectbox(
            "Ripens in",
            months,
            index=months.index(facts.get("ripening_month")),
            format_func=lambda m: MONTHS[m - 1] if m else "not known",
            key=f"{key}month",
        )
        now["drop_done"] = _yes_no("Natural drop over?", facts.get("drop_done"), f"{key}drop")
    with right:
        now["pass_number"] = st.selectbox(
            "Pass",
            [1, 2],
            index=int(facts.get("pass_number", 1)) - 1,
            format_func=lambda n: {1: "first", 2: "second, final"}[n],
            key=f"{key}pass",
        )
        now["plan_choice"] = st.selectbox(
            "Plan",
            PLAN_CHOICES,
            index=PLAN_CHOICES.index(facts.get("plan_choice") or PLAN_CHOICES[0]),
            format_func=TITLES.__getitem__,
            key=f"{key}plan",
        )
        for name in ("spacing_mm", "harvest_diameter_mm"):
            now[name] = _length(name, facts, us, key, _usual(name, now["species"], us))
    with st.expander("More about this limb"):
        return {**now, **_more(key, facts, us)}


def _more(key: str, facts: Mapping[str, Any], us: bool) -> dict[str, Any]:
    """What is asked less often."""
    now: dict[str, Any] = {}
    now["southern"] = st.toggle(
        "South of the equator", bool(facts.get("southern")), key=f"{key}south"
    )
    now["light_set"] = st.toggle(
        "The set is light: leave it", bool(facts.get("light_set")), key=f"{key}light"
    )
    now["allow_pairs"] = st.toggle(
        "Two may stay in a large cluster", bool(facts.get("allow_pairs")), key=f"{key}pairs"
    )
    for name in ("limb_length_mm", "base_diameter_mm"):
        now[name] = _length(name, facts, us, key, "measured on the photo")
    cap = st.number_input(
        "Never keep more than",
        min_value=0,
        step=1,
        value=facts.get("cap"),
        placeholder="no limit",
        key=f"{key}cap",
    )
    now["cap"] = None if cap is None else int(cap)
    return now


def _usual(name: str, species: str, us: bool) -> str:
    if name != "spacing_mm":
        return "usual"
    known = load_species(species)
    if not known.thinned:
        return "not thinned"
    low, high = (
        to_shown(name, v.number, us) or 0 for v in (known.spacing_low_mm, known.spacing_high_mm)
    )
    return f"usual, {low:.0f} to {high:.0f}"


def _yes_no(words: str, value: bool | None, key: str) -> bool | None:
    options = list(_YES_NO)
    at = list(_YES_NO.values()).index(value)
    return _YES_NO[st.selectbox(words, options, index=at, key=key)]


def _length(name: str, facts: Mapping[str, Any], us: bool, key: str, hint: str) -> float | None:
    shown = to_shown(name, facts.get(name), us)
    typed = st.number_input(
        FIELDS[name][1 if us else 0],
        min_value=0.0,
        max_value=5000.0,
        value=shown,
        placeholder=hint,
        key=f"{key}{name}{'us' if us else ''}",
    )
    return facts.get(name) if typed == shown else from_shown(name, typed, us)
