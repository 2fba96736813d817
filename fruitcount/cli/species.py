"""``fruitcount species``: the figures in use, with their sources."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from fruitcount.species import Species

__all__ = ["species_command"]


@click.command("species")
@click.argument("name", required=False)
def species_command(name: str | None) -> None:
    """Show the figures used for species NAME with their sources, or list the names."""
    from fruitcount.errors import FruitcountError
    from fruitcount.species import load_species, species_names

    if name is None:
        for each in species_names():
            click.echo(f"{each:28} {load_species(each).title}")
        return
    try:
        species = load_species(name)
    except FruitcountError as fault:
        raise click.UsageError(str(fault)) from fault
    for line in _lines(species):
        click.echo(line)


def _value(value: float | tuple[float, ...]) -> str:
    if isinstance(value, tuple):
        return " to ".join(f"{part:g}" for part in value)
    return f"{value:g}"


def _lines(species: Species) -> list[str]:
    """Every sourced number of a species, a line for the value and a line for its source."""
    from dataclasses import fields

    from fruitcount.species import Sourced
    from fruitcount.species.model import UNKNOWN

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
