"""``fruitcount species``: the figures in use, with their sources."""

from __future__ import annotations

import click

__all__ = ["species_command"]


@click.command("species")
@click.argument("name", required=False)
def species_command(name: str | None) -> None:
    """Show the figures used for species NAME with their sources, or list the names."""
    from fruitcount.errors import FruitcountError
    from fruitcount.export.species_text import species_lines
    from fruitcount.species import load_species, species_names

    if name is None:
        for each in species_names():
            click.echo(f"{each:28} {load_species(each).title}")
        return
    try:
        species = load_species(name)
    except FruitcountError as fault:
        raise click.UsageError(str(fault)) from fault
    for line in species_lines(species):
        click.echo(line)
