"""Small words and controls that several pages share."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import streamlit as st

from fruitcount.species.loader import load_species, species_names
from fruitcount.store.kept import PhotoLine
from fruitcount.units import MONTHS

LEGEND = " &nbsp; ".join(
    f"{sign}&nbsp;{words.replace(' ', '&nbsp;')}"
    for sign, words in (
        (":blue[◯]", "keep"),
        (":orange[⊗]", "pinch off"),
        (":orange[⊘]", "goes with the cut"),
        ("▽", "yellowing"),
        ("□", "damaged"),
        ("◌", "not on this limb"),
    )
)

_MARKUP = re.compile(r"([\\`*_{}\[\]()#+\-.!|<>~$:&@])")
# addresses, icons and emoji are made of the text when it is no longer escaped: a sign of no width
# parts them
_JOINED = re.compile(r":(?=\S)|@|www(?=\.)", re.IGNORECASE)


def plain(text: str) -> str:
    """A user's own text, made safe to stand in Markdown: nothing in it is read as markup."""
    return _MARKUP.sub(r"\\\1", _JOINED.sub("\\g<0>\u2060", text.replace("\n", " ")))


def photo_words(line: PhotoLine, tree: str = "") -> str:
    """What a photo is called: tree, limb, side and moment; its number and day where no limb is."""
    day = f"{line.taken_on.day} {MONTHS[line.taken_on.month - 1][:3]}"
    limb = f"limb {line.limb}" if line.limb else f"photo {line.number} of {day}"
    words = ", ".join(part for part in (tree, limb, line.side, line.moment) if part)
    return words[:1].upper() + words[1:]


def count_words(told: Mapping[str, Any]) -> str:
    """What a photo's kept result comes to, in a few words; empty before it is counted."""
    crop = told.get("count_n")
    if told.get("verdict") == "cannot tell":
        return "Cannot tell" if crop is None else f"{crop} fruit, how many to keep not known"
    if crop is None:
        return ""
    if told.get("verdict") == "leave":
        return f"Leave all {crop}"
    return f"Keep {told['keep_n']} of {crop}"


def species_titles() -> dict[str, str]:
    """Species by name, with the words to show."""
    return {name: load_species(name).title for name in species_names()}


def units() -> str:
    """The unit system in use: ``"metric"`` or ``"us"``, kept in the address."""
    return "us" if st.query_params.get("units") == "us" else "metric"
