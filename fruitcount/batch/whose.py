"""Which sources say whose a photo is, and which of them leads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fruitcount.batch.naming import (
    Place,
    first_told,
    place_by_card,
    place_by_folder,
    place_by_name,
)
from fruitcount.checks import one_of

__all__ = ["SOURCES", "Naming"]

SOURCES = ("sheet", "code", "card", "folder", "name")
"""The surest first: what was typed for this photo, what its card says, where it lies."""


@dataclass(frozen=True)
class Naming:
    """How to tell whose a photo is.

    Attributes
    ----------
    by : {"auto", "sheet", "code", "card", "folder", "name"}
        ``"auto"`` asks all in the order of :data:`SOURCES`; any other asks that one alone.
    pattern : str
        For ``"name"``: see :func:`fruitcount.batch.naming.place_by_name`.
    sheet : mapping
        For ``"sheet"``: from :func:`fruitcount.batch.naming.read_sheet`.
    cards : mapping
        For ``"card"``: card number to place, for cards that stay with one tree or limb.
    """

    by: str = "auto"
    pattern: str = ""
    sheet: Mapping[str, Place] = field(default_factory=dict)
    cards: Mapping[int, Place] = field(default_factory=dict)

    def __post_init__(self) -> None:
        one_of("by", self.by, ("auto", *SOURCES))

    def place(self, path: Path, root: Path, row: Mapping[str, Any]) -> tuple[Place, str]:
        """Whose photo this is, and which source told its tree.

        Parameters
        ----------
        path, root : Path
            The photo, and the folder that is counted.
        row : mapping
            The photo's row, for what its card says: ``code_tree``, ``code_limb``, ``card_id``.

        Returns
        -------
        Place, and one of :data:`SOURCES`; both empty when it cannot be told.
        """
        names = SOURCES if self.by == "auto" else (self.by,)
        return first_told({name: self._told(name, path, root, row) for name in names})

    def _told(self, name: str, path: Path, root: Path, row: Mapping[str, Any]) -> Place:
        if name == "sheet":
            inside = path.relative_to(root).as_posix()
            return self.sheet.get(inside) or self.sheet.get(path.name) or Place()
        if name == "code":
            return Place(str(row.get("code_tree") or ""), str(row.get("code_limb") or ""))
        if name == "card":
            number = row.get("card_id")
            return Place() if number is None else place_by_card(int(number), self.cards)
        if name == "folder":
            return place_by_folder(path, root)
        return place_by_name(path, self.pattern) if self.pattern or self.by == "name" else Place()
