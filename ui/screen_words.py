"""Small words and controls that several pages share."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Mapping, Sequence
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar

import streamlit as st

from fruitcount.errors import FruitcountError
from fruitcount.species.model import load_species, species_names
from fruitcount.store.photo_record import PhotoLine
from fruitcount.units import MONTHS

_T = TypeVar("_T")
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


def telling(show: Callable[..., None]) -> Callable[..., None]:
    """A page, or a part that runs again by itself: what it cannot do is told in words."""

    @wraps(show)
    def showing(*given: Any) -> None:
        try:
            show(*given)
        except FruitcountError as fault:
            st.error(plain(str(fault)))

    return showing


def photo_words(line: PhotoLine, tree: str = "") -> str:
    """What a photo is called: tree, limb, side and moment; its number and day where no limb is."""
    day = f"{line.taken_on.day} {MONTHS[line.taken_on.month - 1][:3]}"
    limb = f"limb {line.limb}" if line.limb else f"photo {line.number} of {day}"
    words = ", ".join(part for part in (tree, limb, line.side, line.moment) if part)
    return words[:1].upper() + words[1:]


def ask_number(
    words: str,
    value: float | None = None,
    *,
    where: Any = st,
    per: float = 1.0,
    whole: bool = False,
    zero: bool = False,
    hint: str = "not known",
    **more: Any,
) -> float | None:
    """A number typed by hand; ``value`` itself where nothing was changed, None where it is empty.

    Parameters
    ----------
    words : str
        The label, with the unit shown.
    value : float or None
        As kept, in the unit of the records.
    where : container
    per : float
        Of the records' unit in one unit shown.
    whole : bool
        Fruit, limbs, years: no fractions.
    zero : bool
        0 is an answer too; else it means the same as an empty box.
    hint : str
        What an empty box says.
    """
    kind: Any = int if whole else float
    shown = None if value is None else kind(round(value / per, 2))
    step = kind(1) if whole else None
    box = {"min_value": kind(0), "step": step, "placeholder": hint, **more}
    typed: float | None = where.number_input(words, value=shown, **box)
    if typed == shown:
        return value
    return typed * per if typed or (zero and typed is not None) else None


def ask_sheet(words: str, read: Callable[[Path], _T], key: str) -> _T | None:
    """What a CSV file tells, read for this visit and not kept; None where there is none to read."""
    file = st.file_uploader(words, type=["csv"], key=key, max_upload_size=20)
    if file is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sheet.csv"
        path.write_bytes(file.getvalue())
        try:
            return read(path)
        except FruitcountError as fault:
            st.error(plain(str(fault).replace(str(path), file.name)))
            return None


def table(head: Sequence[str], rows: Sequence[Sequence[object]], numbers: int = 1) -> str:
    """A Markdown table; columns from ``numbers`` on stand to the right."""
    sides = [":--" if i < numbers else "--:" for i in range(len(head))]
    return "\n".join(f"| {' | '.join(map(str, row))} |" for row in (head, sides, *rows))


def count_words(told: Mapping[str, Any]) -> str:
    """What a photo's kept result comes to, in a few words; empty before it is counted."""
    crop, keep = told.get("count_n"), told.get("keep_n")
    if crop is None:
        return "Cannot tell" if told.get("verdict") == "cannot tell" else ""
    if keep is None or told.get("verdict") == "cannot tell":
        return f"{crop} fruit, how many to keep not known"
    return f"Leave all {crop}" if keep == crop else f"Keep {keep} of {crop}"


def species_titles() -> dict[str, str]:
    """Species by name, with the words to show."""
    return {name: load_species(name).title for name in species_names()}


def units() -> str:
    """The unit system in use: ``"metric"`` or ``"us"``, kept in the address."""
    return "us" if st.query_params.get("units") == "us" else "metric"
