"""Small words and controls that several pages share."""

from __future__ import annotations

import re

import streamlit as st

from fruitcount.species import load_species, species_names

__all__ = [
    "CAUTIONS",
    "LEGEND",
    "MONTHS",
    "plain",
    "species_titles",
    "units",
]

MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)

CAUTIONS = (
    "All numbers are estimates. They do not promise that a limb will hold.",
    "Do not stand under a loaded or cracked limb. Lighten it from the tip inward; prop it first.",
    "On a ladder: firm level ground, three points of contact, never lean out to reach.",
    "For big limbs or work near wires, ask a licensed arborist; local codes come first.",
)

LEGEND = (
    ":blue[◯] keep &nbsp; :orange[⊗] pinch off &nbsp; :orange[⊘] goes with the cut &nbsp; "
    "▽ yellowing &nbsp; ▢ damaged &nbsp; ◌ not on this limb"
)

_MARKUP = re.compile(r"([\\`*_{}\[\]()#+\-.!|<>~$:])")


def plain(text: str) -> str:
    """A user's own text, made safe to stand in Markdown: nothing in it is read as markup."""
    return _MARKUP.sub(r"\\\1", text.replace("\n", " "))


def species_titles() -> dict[str, str]:
    """Species by name, with the words to show."""
    return {name: load_species(name).title for name in species_names()}


def units() -> str:
    """The unit system in use: ``"metric"`` or ``"us"``, kept in the address."""
    return "us" if st.query_params.get("units") == "us" else "metric"
