"""``fruitcount walk``: one tree counted along a few random walks from the trunk to a tip."""

from __future__ import annotations

from pathlib import Path

import click

from fruitcount.cli.options import LENGTH

__all__ = ["walk_command"]


@click.command("walk")
@click.argument("diameters", nargs=-1, type=LENGTH)
@click.option(
    "--sheet",
    type=click.Path(path_type=Path, dir_okay=False),
    help="CSV of the walks done: walk, fruit, and chance or diameter_mm, fork_mm.",
)
@click.option("--seed", type=int, help="Draw the same branch again.")
def walk_command(diameters: tuple[float, ...], sheet: Path | None, seed: int | None) -> None:
    """Count a tree without photos, by random walks.

    At each fork give the DIAMETERS of its branches: one is drawn by chance, thicker ones more
    often. Go on along it to the tip and count the fruit on every piece of the way. With --sheet
    the walks done tell the tree's total, its interval and how many walks more would halve it.
    """
    from fruitcount.errors import FruitcountError
    from fruitcount.export.tree_work_sheet import estimate_line
    from fruitcount.tree import draw_fork, more_paths, paths_total
    from fruitcount.tree.facts import read_walks

    if bool(diameters) == bool(sheet):
        raise click.UsageError("give the diameters at a fork, or --sheet")
    try:
        if sheet is None:
            which, chance = draw_fork(diameters, seed=seed)
            click.echo(
                f"Take branch {which + 1} ({diameters[which]:g} mm). Its chance at this fork was "
                f"{chance:.4f}: note it with the fruit on this piece."
            )
            return
        walks = read_walks(sheet)
        total = paths_total(walks)
        click.echo(estimate_line(total))
        if total.known:
            click.echo(f"Walks more to about halve the interval: {more_paths(len(walks))}")
        else:
            click.echo("An interval needs 3 walks that do not differ too much; most trees 3 to 14.")
    except FruitcountError as fault:
        raise click.UsageError(str(fault)) from fault
