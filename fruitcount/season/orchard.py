"""A tree of the orchard in one season, its counts through the years, and the sheet of trees."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date
from pathlib import Path
from typing import Any

from fruitcount.errors import BadInputError, FruitcountError, SpeciesError, in_range, positive
from fruitcount.files import number_in, shown_name, table_lines, typed_name
from fruitcount.species.model import load_species
from fruitcount.units import month_number

_EARLIEST_YEAR, _LATEST_YEAR = 1800, 2999


def believed_day(name: str, day: date) -> date:
    """A day that is no slip of the pen: years over the calendar's end cannot be counted on."""
    in_range(f"year of {name}", day.year, _EARLIEST_YEAR, _LATEST_YEAR)
    return day


@dataclass(frozen=True)
class OrchardTree:
    """One tree this season.

    Attributes
    ----------
    name : str
        How the keeper calls it; unique in the orchard.
    species : str
        Name of a species file; empty when not given.
    variety, block, rootstock, note : str
        Free text.
    planted_year : int or None
    trunk_circumference_mm : float or None
    ripening_month : int or None
        1 to 12.
    southern : bool
        South of the equator.
    bloom_date : date or None
        Full bloom this season.
    first_pass_on, second_pass_on : date or None
        When it was thinned.
    leave_it : bool
        The keeper will not thin it this season.
    size_mm : float or None
        Median fruitlet diameter, as the keeper measured it last.
    photos_mm : float or None
        The same from the tree's counted photos.
    photos_on : date or None
        Day of these photos.
    harvest_days : int or None
        Days from full bloom to harvest of this variety, from the keeper's own years.
    """

    name: str
    species: str = ""
    variety: str = ""
    block: str = ""
    rootstock: str = ""
    note: str = ""
    planted_year: int | None = None
    trunk_circumference_mm: float | None = None
    ripening_month: int | None = None
    southern: bool = False
    bloom_date: date | None = None
    first_pass_on: date | None = None
    second_pass_on: date | None = None
    leave_it: bool = False
    size_mm: float | None = None
    harvest_days: int | None = None
    photos_mm: float | None = None
    photos_on: date | None = None

    def __post_init__(self) -> None:
        for name in ("name", "variety", "block", "rootstock"):
            object.__setattr__(self, name, typed_name(getattr(self, name)))
        object.__setattr__(self, "note", shown_name(self.note, longest=2000))
        if not self.name:
            raise BadInputError("name of a tree must not be empty")
        for name, low, high in (("ripening_month", 1, 12), ("harvest_days", 30, 330)):
            if getattr(self, name) is not None:
                in_range(name, getattr(self, name), low, high)
        most = {"trunk_circumference_mm": 1e4, "size_mm": 200.0, "photos_mm": 1e6}
        for name, top in most.items():
            if getattr(self, name) is not None:
                in_range(name, positive(name, getattr(self, name)), 0, top)
        for name in ("bloom_date", "first_pass_on", "second_pass_on", "photos_on"):
            if getattr(self, name) is not None:
                believed_day(name, getattr(self, name))
        if self.first_pass_on and self.second_pass_on and self.second_pass_on < self.first_pass_on:
            raise BadInputError(
                f"second_pass_on of {self.name} must not be before {self.first_pass_on}, got "
                f"{self.second_pass_on}"
            )


def name_order(name: str) -> tuple[tuple[tuple[bool, int, str], ...], str]:
    """Sort key for names as people sort them: capitals alike, ``Row 2`` before ``Row 10``."""
    parts = re.findall(r"[0-9]+|[^0-9]+", name.casefold())
    return tuple((not p.isdecimal(), int(p[:4000]) if p.isdecimal() else 0, p) for p in parts), name


_YES = {"yes": True, "no": False, "": False}
_COLUMNS = tuple(f.name for f in fields(OrchardTree))
_KINDS = {str(f.name): str(f.type).removesuffix(" | None") for f in fields(OrchardTree)}


def read_trees(path: str | Path) -> list[OrchardTree]:
    """Read a sheet with a column ``tree`` (or ``name``) and any others of a tree's.

    Dates read 2026-03-18; ``southern`` and ``leave_it`` are yes or no; a month may be ``June``;
    empty means not known.

    Raises
    ------
    BadInputError
        When a column is not known, a cell cannot be read, or a name comes twice.
    """
    out: dict[str, OrchardTree] = {}
    rows = table_lines(path)
    names = ["name" if n == "tree" else n for n in next(rows)[1]]
    if names.count("name") != 1 or not set(names) <= set(_COLUMNS):
        known = ", ".join(_COLUMNS[1:])
        raise BadInputError(f"{path}: columns must be tree and any of {known}, got {names}")
    for where, line in rows:
        tree = _tree(line, where)
        if out.setdefault(tree.name, tree) is not tree:
            raise BadInputError(f"{where}: {tree.name} comes twice")
    return list(out.values())


def _tree(line: Mapping[str, str], where: str) -> OrchardTree:
    facts: dict[str, Any] = {}
    for column, cell in line.items():
        name = "name" if column == "tree" else column
        try:
            facts[name] = _cell(name, cell)
        except KeyError:
            raise BadInputError(f"{where}: {name} must be yes or no, got {cell!r}") from None
        except (ValueError, SpeciesError) as error:
            kind = {"date": "a date like 2026-03-18", "int": "a whole number"}.get(_KINDS[name])
            what = f"must be {kind or 'a number'}, got {cell!r}"
            what = str(error) if isinstance(error, FruitcountError) else what
            raise BadInputError(f"{where}: {name}: {what}") from error
    try:
        return OrchardTree(**facts)
    except ValueError as error:
        raise BadInputError(f"{where}: {error}") from error


def _cell(name: str, cell: str) -> Any:
    kind = _KINDS[name]
    if kind == "bool":
        return _YES[cell.lower()]
    if kind == "str":
        return load_species(cell).name if name == "species" and cell else cell
    if not cell:
        return None
    if name == "ripening_month":
        return month_number(cell)
    read: dict[str, Callable[[str], Any]] = {
        "date": date.fromisoformat, "int": int, "float": number_in,
    }  # fmt: skip
    return read[kind](cell)


@dataclass(frozen=True)
class SeasonFacts:
    """One tree's season in numbers; None where not recorded.

    Attributes
    ----------
    year : int
    fruit_before_n, fruit_after_n, harvest_kg, fruit_g : float or None
    note : str
    """

    year: int
    fruit_before_n: float | None = None
    fruit_after_n: float | None = None
    harvest_kg: float | None = None
    fruit_g: float | None = None
    note: str = ""

    @property
    def any_known(self) -> bool:
        """Whether there is a number."""
        return any(getattr(self, f.name) is not None for f in fields(self)[1:5])


def season_steps(seasons: Sequence[SeasonFacts]) -> list[tuple[int, int, float, float, float]]:
    """Changes between following seasons, oldest first.

    Returns
    -------
    list of (year, year before, fruit left, harvest in kg, one fruit in g)
        NaN where one of the two is not recorded.
    """

    def change(new: float | None, old: float | None) -> float:
        return math.nan if new is None or old is None else new - old

    return [
        (b.year, a.year, change(b.fruit_after_n, a.fruit_after_n),
         change(b.harvest_kg, a.harvest_kg), change(b.fruit_g, a.fruit_g))
        for a, b in itertools.pairwise(sorted(seasons, key=lambda s: s.year))
    ]  # fmt: skip
