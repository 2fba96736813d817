"""A tree of the orchard in one season, as the queue and the reports see it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

from fruitcount.checks import in_range, positive
from fruitcount.errors import BadInputError

__all__ = ["OrchardTree", "name_order", "ripening_order", "season_part"]

EARLIEST_YEAR, LATEST_YEAR = 1800, 2999
"""Years of dates that are believed; others are slips of the pen."""


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
        Median fruitlet diameter measured last.
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

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise BadInputError("name of a tree must not be empty")
        if self.ripening_month is not None:
            in_range("ripening_month", self.ripening_month, 1, 12)
        if self.trunk_circumference_mm is not None:
            positive("trunk_circumference_mm", self.trunk_circumference_mm)
        if self.size_mm is not None:
            positive("size_mm", self.size_mm)
        for name in ("bloom_date", "first_pass_on", "second_pass_on"):
            told = getattr(self, name)
            if told is not None:  # a year mistyped would run over the calendar's end
                in_range(f"year of {name}", told.year, EARLIEST_YEAR, LATEST_YEAR)
        if self.first_pass_on and self.second_pass_on and self.second_pass_on < self.first_pass_on:
            raise BadInputError(
                f"second_pass_on of {self.name} must not be before {self.first_pass_on}, got "
                f"{self.second_pass_on}"
            )


def name_order(name: str) -> tuple[tuple[tuple[bool, int, str], ...], str]:
    """Sort key for names as people sort them: capitals alike, ``Row 2`` before ``Row 10``."""
    parts = re.findall(r"[0-9]+|[^0-9]+", name.casefold())
    return tuple((not p.isdecimal(), int(p[:4000]) if p.isdecimal() else 0, p) for p in parts), name


def ripening_order(month: int | None, *, southern: bool = False) -> int:
    """Place of a ripening month in the season, 0 first; months not given come last (99).

    Parameters
    ----------
    month : int or None
        1 to 12.
    southern : bool
        The southern season is taken to start in July, the northern one in January.
    """
    if month is None:
        return 99
    in_range("ripening_month", month, 1, 12)
    return (month - (7 if southern else 1)) % 12


def season_part(month: int, *, southern: bool = False) -> str:
    """``"early"``, ``"mid"`` or ``"late"`` ripening.

    North: up to June, July-August, from September (van den Ende, Good Fruit Grower, December
    2012); south: the same six months later.
    """
    order = ripening_order(month, southern=southern)
    return "early" if order < 6 else "mid" if order < 8 else "late"
