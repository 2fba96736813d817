"""A species' figures as lines of text: each number with its source and status."""

from __future__ import annotations

from dataclasses import fields

from fruitcount.species import Sourced, Species
from fruitcount.species.model import UNKNOWN

__all__ = ["species_lines"]


def _value(value: float | tuple[float, ...]) -> str:
    if isinstance(value, tuple):
        return " to ".join(f"{part:g}" for part in value)
    return f"{value:g}"


def species_lines(species: Species) -> list[str]:
    """Every sourced number of a species, a line for the value and a line for its source.

    Returns
    -------
    list of str
        Units are in the names (``_mm``, ``_mpa``, ``_frac``).
    """
    thinned = "thinned by hand" if species.thinned else "not thinned by hand"
    lines = [f"{species.title}: {thinned} ({species.thinned_source})", species.cluster_rule]
    for each in fields(species):
        number = getattr(species, each.name)
        if isinstance(number, Sourced) and number is not UNKNOWN:
            lines.append(f"{each.name:30} {_value(number.value):>16}   {number.status}")
            lines.append(f"{'':30} {'':>16}   {number.source}")
    for name, source in (species.tables_source or {}).items():
        lines.append(f"table {name}: {source.status}, {source.source}")
    return lines
