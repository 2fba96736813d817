"""Whose a photo is: tree, limb, side and moment, from a sheet, a card, its folder or its name."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fruitcount.errors import BadInputError, one_of
from fruitcount.files import sheet_lines

_SIDES = {"": "", "f": "front", "front": "front", "b": "back", "back": "back"}
_MOMENTS = {"": "", "before": "before", "after": "after"}
_CARD_NUMBERS = {str(k): k for k in range(50)}
_FIELDS = ("tree", "limb", "side", "moment")


@dataclass(frozen=True)
class Assigned:
    """What a photo shows; empty where it could not be told.

    Attributes
    ----------
    tree, limb : str
    side : {"", "front", "back"}
    moment : {"", "before", "after"}
        Before or after thinning.
    """

    tree: str = ""
    limb: str = ""
    side: str = ""
    moment: str = ""


def place_by_folder(path: str | Path, root: str | Path) -> Assigned:
    """Tree from the first folder below ``root``, limb from the second if there is one.

    Side and moment come from the words front, back, before and after, where the file's name or a
    deeper folder's has one of them by itself, such as ``front.jpg`` or ``IMG_12-after.jpg``.
    """
    inside = Path(path).relative_to(root)
    parts = inside.parts[:-1]
    words = set(re.split(r"[\W_]+", " ".join((*parts[2:], inside.stem)).lower()))
    side, moment = (
        found.pop() if len(found := words & set(known)) == 1 else ""
        for known in (("front", "back"), ("before", "after"))
    )
    return Assigned(
        parts[0] if parts else "", parts[1] if len(parts) > 1 else "", str(side), str(moment)
    )


def place_by_name(path: str | Path, pattern: str) -> Assigned:
    """Read a file name by a pattern such as ``{tree}_{limb}_{side}``.

    Parameters
    ----------
    path : str or Path
        Only the name without its ending is read.
    pattern : str
        ``{tree}``, ``{limb}``, ``{side}`` (front, back, f, b), ``{moment}`` (before, after) and
        ``*`` for anything; all else must be there as it is, capitals aside.

    Returns
    -------
    Assigned
        Empty when the name does not fit.

    Raises
    ------
    BadInputError
        When the pattern names a field that is not known, or names one twice.
    """
    found = _compiled(pattern).fullmatch(Path(path).stem)
    if not found:
        return Assigned()
    try:
        return _assigned(found.groupdict(), "")
    except BadInputError:
        return Assigned()


def _assigned(cells: Mapping[str, str], where: str) -> Assigned:
    told = {name: cells.get(name, "") for name in _FIELDS}
    for name, known in (("side", _SIDES), ("moment", _MOMENTS)):
        word = known.get(told[name].lower())
        if word is None:
            words = " or ".join(dict.fromkeys(filter(None, known.values())))
            raise BadInputError(f"{where}: {name} must be {words}, got {told[name]!r}")
        told[name] = word
    return Assigned(**told)


def _compiled(pattern: str) -> re.Pattern[str]:
    used: set[str] = set()
    parts = []
    for piece in re.split(r"(\{[^{}]*\}|\*)", pattern):
        if piece == "*":
            parts.append("(?>.*?")
        elif piece.startswith("{"):
            name = piece[1:-1]
            if name not in _FIELDS or name in used:
                raise BadInputError(
                    f"name pattern may hold {', '.join('{' + f + '}' for f in _FIELDS)} once "
                    f"each, got {pattern!r}"
                )
            used.add(name)
            parts.append(f"(?>(?P<{name}>.+?)")
        else:
            parts.append(re.escape(piece))
    return re.compile(_in_one_go(parts), re.IGNORECASE | re.DOTALL)


def _in_one_go(parts: list[str]) -> str:
    """Close each group behind the text that follows it, so that it is never tried again.

    What stands for anything ends where that text comes first: later would leave less for the
    rest. Without this a pattern of many ``*`` would take for ever. The last one runs to the end.
    """
    opened = [k for k, part in enumerate(parts) if part.startswith("(?>")]
    out = list(parts)
    for k in opened[:-1]:
        out[k + 1] += ")"  # the split puts a text, if only an empty one, behind every group
    if opened:
        out[opened[-1]] = out[opened[-1]].removeprefix("(?>")
    return "".join(out)


def first_told(told: Mapping[str, Assigned]) -> tuple[Assigned, str]:
    """One place out of what several sources say, the surest first.

    The first source that names a tree leads. A limb comes from the first that names one without
    naming another tree: "limb 2" in the folder of another tree is not this tree's. Side and
    moment come from the first that tells them.

    Parameters
    ----------
    told : mapping
        Name of a source to what it says, the surest first.

    Returns
    -------
    Assigned, and the name of the source that told the tree (empty when none did).
    """
    lead = next((name for name, place in told.items() if place.tree), "")
    tree = told[lead].tree if lead else ""
    fits = [place for place in told.values() if place.tree in ("", tree)]
    return Assigned(
        tree,
        next((place.limb for place in fits if place.limb), ""),
        next((place.side for place in told.values() if place.side), ""),
        next((place.moment for place in told.values() if place.moment), ""),
    ), lead


def read_card_sheet(path: str | Path) -> dict[int, Assigned]:
    """Read a CSV sheet with the columns ``card``, ``tree`` and, if wanted, ``limb``.

    Returns
    -------
    dict
        Card number to place.

    Raises
    ------
    BadInputError
        When a column is missing, a number is no card's, or a card comes twice.
    """
    out: dict[int, Assigned] = {}
    for where, row in sheet_lines(path, ("card", "tree")):
        cell = {k: row.get(k, "") for k in ("card", "tree", "limb")}
        number = _CARD_NUMBERS.get(cell["card"], -1)
        if number < 0:
            raise BadInputError(f"{where}: card must be from 0 to 49, got {cell['card']!r}")
        if number in out:
            raise BadInputError(f"{where}: card {number} comes twice")
        out[number] = Assigned(cell["tree"], cell["limb"])
    return out


def read_sheet(path: str | Path) -> dict[str, Assigned]:
    """Read a CSV sheet with the columns ``file``, ``tree`` and, if wanted, ``limb``, ``side``,
    ``moment``.

    Returns
    -------
    dict
        File name or path, as written (with ``/``), to place.

    Raises
    ------
    BadInputError
        When a column is missing, a side or moment is not known, or a file comes twice with
        different places.
    """  # noqa: D205
    out: dict[str, Assigned] = {}
    for where, row in sheet_lines(path, ("file", "tree")):
        name = row["file"].replace("\\", "/").removeprefix("./")
        place = _assigned(row, where)
        if out.setdefault(name, place) != place:
            raise BadInputError(f"{where}: {name} comes twice")
    return out


SOURCES = ("sheet", "code", "card", "folder", "name")
"""The surest first: what was typed for this photo, what its card says, where it lies."""


@dataclass(frozen=True)
class AssignmentRules:
    """How to tell whose a photo is.

    Attributes
    ----------
    by : {"auto", "sheet", "code", "card", "folder", "name"}
        ``"auto"`` asks all in the order of :data:`SOURCES`; any other asks that one alone.
    pattern : str
        For ``"name"``: see :func:`fruitcount.tree.assignment.place_by_name`.
    sheet : mapping
        For ``"sheet"``: from :func:`fruitcount.tree.assignment.read_sheet`.
    cards : mapping
        For ``"card"``: card number to place, for cards that stay with one tree or limb.
    """

    by: str = "auto"
    pattern: str = ""
    sheet: Mapping[str, Assigned] = field(default_factory=dict)
    cards: Mapping[int, Assigned] = field(default_factory=dict)

    def __post_init__(self) -> None:
        one_of("by", self.by, ("auto", *SOURCES))
        _compiled(self.pattern)  # what is wrong with it is told before anything is counted
        if self.by == "sheet" and not self.sheet:
            raise BadInputError("by sheet needs a sheet of the photos (--sheet)")

    def place(self, path: Path, root: Path, row: Mapping[str, Any]) -> tuple[Assigned, str]:
        """Whose photo this is, and which source told its tree.

        Parameters
        ----------
        path, root : Path
            The photo, and the folder that is counted.
        row : mapping
            The photo's row, for what its card says: ``code_tree``, ``code_limb``, ``card_id``.

        Returns
        -------
        Assigned, and one of :data:`SOURCES`; both empty when it cannot be told.
        """
        names: tuple[str, ...] = SOURCES if self.by == "auto" else (self.by,)
        if self.by == "auto" and self.pattern:  # a pattern that was given leads over folders
            names = (*(n for n in SOURCES if n != "folder"), "folder")
        return first_told({name: self._told(name, path, root, row) for name in names})

    def clash(self, path: Path, root: Path) -> str:
        """Where a given pattern and the folders say different things of a photo, in words."""
        if self.by != "auto" or not self.pattern:
            return ""
        name, folder = (self._told(source, path, root, {}) for source in ("name", "folder"))
        for what in ("tree", "limb"):
            told, lies = getattr(name, what), getattr(folder, what)
            if told and lies and told != lies:
                return f"{what} {told!r} by its name, {lies!r} by its folder: the name was used"
        return ""

    def _told(self, name: str, path: Path, root: Path, row: Mapping[str, Any]) -> Assigned:
        if name == "sheet":
            inside = path.relative_to(root).as_posix()
            return self.sheet.get(inside) or self.sheet.get(path.name) or Assigned()
        if name == "code":
            return Assigned(str(row.get("code_tree") or ""), str(row.get("code_limb") or ""))
        if name == "card":
            number = row.get("card_id")
            return self.cards.get(-1 if number is None else int(number), Assigned())
        if name == "folder":
            return place_by_folder(path, root)
        return (
            place_by_name(path, self.pattern) if self.pattern or self.by == "name" else Assigned()
        )
