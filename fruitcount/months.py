"""Months by name and by hemisphere, and the year that a season is named by: one rule each."""

from __future__ import annotations

from datetime import date

from fruitcount.errors import BadInputError

MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def month_number(words: str) -> int:
    """Number of a month given as ``6``, ``June`` or ``jun``.

    Raises
    ------
    BadInputError
        When it is none, or could be several.
    """
    asked = words.strip().lower()
    if asked.isdecimal() and len(asked) < 3 and 1 <= int(asked) <= 12:
        return int(asked)
    found = [k for k, name in enumerate(MONTHS, start=1) if name.lower().startswith(asked)]
    if len(asked) < 3 or len(found) != 1:
        raise BadInputError(f"a month must be 1 to 12 or a name such as June, got {words!r}")
    return found[0]


def northern_month(month: int, *, southern: bool) -> int:
    """The month as tables of the northern hemisphere count it: south, the same six months on."""
    return (month + 5) % 12 + 1 if southern else month


def season_year(day: date, *, southern: bool = False) -> int:
    """Year a season is named by: that of its bloom. North January to December, south from July."""
    return day.year - 1 if southern and day.month < 7 else day.year
