"""Lengths, weights and months as people give and read them. SI inside; US units at the edge only.

The international inch (25.4 mm) and the avoirdupois pound (0.45359237 kg) are exact by
definition (international yard and pound agreement, 1959).
"""

from __future__ import annotations

import math
import re
from datetime import date

from fruitcount.errors import BadInputError, one_of, positive

MM_PER_INCH = 25.4
KG_PER_LB = 0.45359237
G_PER_OZ = 1000 * KG_PER_LB / 16
GRAVITY_N_PER_KG = 9.81
SYSTEMS = ("metric", "us")

_UNIT_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH, '"': MM_PER_INCH, "ft": 304.8}
_LENGTH = re.compile(
    r"(?:(\d+(?:\.\d+)?|\.\d+)(?!\s*/|\d))?\s*(?:(\d+)\s*/\s*(\d+))?\s*(mm|cm|m|in|ft|\")?"
)


def format_length(length_mm: float, system: str = "metric") -> str:
    """A limb length or a distance along it: whole cm, or inches to the nearest half.

    Parameters
    ----------
    length_mm : float, mm
        NaN is written as ``"not known"``.
    system : {"metric", "us"}
        Which units to write.
    """
    one_of("system", system, SYSTEMS)
    if math.isnan(length_mm):
        return "not known"
    if system == "metric":
        return f"{length_mm / 10:.0f} cm"
    return f"{round(length_mm / MM_PER_INCH * 2) / 2:g} in"


# name, how many of ours it is, and the decimal places that it is told with
_WRITTEN = {
    "metric": {"length": ("cm", 10.0, 0), "size": ("mm", 1.0, 1), "crop": ("kg", 1.0, 1),
               "fruit": ("g", 1.0, 0)},
    "us": {"length": ("in", MM_PER_INCH, 1), "size": ("in", MM_PER_INCH, 2),
           "crop": ("lb", KG_PER_LB, 1), "fruit": ("oz", G_PER_OZ, 1)},
}  # fmt: skip


def unit_of(kind: str, system: str = "metric") -> tuple[str, float, int]:
    """The unit that numbers are typed and tabled in: its name, its size, and decimal places.

    Parameters
    ----------
    kind : {"length", "size", "crop", "fruit"}
        Of a limb or trunk, and a diameter, both of mm; a harvest, of kg; one fruit, of g.
    system : {"metric", "us"}
    """
    one_of("system", system, SYSTEMS)
    return _WRITTEN[system][kind]


def format_in(kind: str, value: float, system: str = "metric") -> str:
    """A value of that kind (see :func:`unit_of`) with its unit; NaN as ``"not known"``."""
    unit, per, digits = unit_of(kind, system)
    return "not known" if math.isnan(value) else f"{value / per:.{digits}f} {unit}"


def format_size(size_mm: float, system: str = "metric") -> str:
    """A fruit or limb diameter: mm to one place, or inches to two."""
    return format_in("size", size_mm, system)


def format_weight(mass_g: float, system: str = "metric") -> str:
    """A crop weight: kg or lb to one place, of a few cherries g or oz."""
    if 0 < mass_g < 50:
        return format_in("fruit", mass_g, system)
    return format_in("crop", mass_g / 1000, system)


def parse_length(words: str) -> float:
    """Read a length such as ``45cm``, ``18 in``, ``12.5mm``, ``1 1/2in`` or ``3/4 in``; give mm.

    Parameters
    ----------
    words : str
        A number (decimal, fraction or whole-and-fraction) and a unit: mm, cm, m, in, ft or ``"``.

    Returns
    -------
    float, mm

    Raises
    ------
    BadInputError
        When it is not such a length, has no unit, or is not above zero.
    """
    match = _LENGTH.fullmatch(words.strip().lower())
    if match is None:
        raise BadInputError(f"a length must read like 45cm, 18in or 3/4in, got {words!r}")
    whole, over, under, unit = match.groups()
    value = float(whole or 0)
    if over is not None:
        if float(under) == 0:
            raise BadInputError(f"a length cannot be divided by zero, got {words!r}")
        value += float(over) / float(under)
    if unit is None:
        typed = words.strip()
        raise BadInputError(f"a length needs its unit: {typed} cm or {typed} mm?")
    return positive("length", value * _UNIT_MM[unit])


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
