"""``fruitcount folder``: photos of one tree or many, to a table and tree totals."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from fruitcount.cli.options import grower_options, scale_options, units_option
from fruitcount.cli.records_options import db_option

__all__ = ["folder_command"]


@click.command("folder")
@click.argument("folder", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default="out",
    show_default=True,
    help="Folder for the table; a stopped run goes on from there.",
)
@click.option(
    "--by",
    type=click.Choice(["auto", "sheet", "code", "card", "folder", "name"]),
    default="auto",
    show_default=True,
    help="What tells tree and limb of a photo; auto asks all, in this order.",
)
@click.option("--pattern", default="", help="Of file names, such as {tree}_{limb}_{side}.")
@click.option(
    "--sheet",
    type=click.Path(path_type=Path, exists=True),
    help="CSV of photos: file, tree, limb, side, moment.",
)
@click.option(
    "--cards",
    type=click.Path(path_type=Path, exists=True),
    help="CSV of the cards that stay with a tree: card (its number), tree, limb.",
)
@click.option("--limbs", type=click.IntRange(min=1), help="Limbs on each tree, to give a total.")
@click.option(
    "--workers", type=click.IntRange(min=1), default=2, show_default=True, help="Processes."
)
@click.option("--cluster", default=None, help="Address of a Dask scheduler to run on.")
@click.option("--pictures", is_flag=True, help="Write an annotated picture of each photo too.")
@click.option("--learned", help="Count with what your corrections of this recorded tree taught.")
@db_option
@units_option
@scale_options
@grower_options
def folder_command(folder: Path, **options: Any) -> None:
    """Count every photo below FOLDER and estimate its trees."""
    from fruitcount.cli.requests import count_settings, folder_choice, grower_inputs
    from fruitcount.errors import FruitcountError
    from fruitcount.jobs.folder import count_folder_to_files, folder_lines

    settings, inputs = count_settings(options), grower_inputs(options)
    try:
        choice = folder_choice(options)
        with click.progressbar(length=1, label="Counting", file=sys.stderr) as bar:

            def progress(now: Any) -> None:
                bar.length = max(now.total_n, 1)
                bar.update(now.done_n - bar.pos)

            answer = count_folder_to_files(
                folder, choice, settings=settings, inputs=inputs, progress=progress
            )
    except FruitcountError as fault:
        raise click.UsageError(str(fault)) from fault
    except KeyboardInterrupt:
        click.echo("\nStopped. The photos counted so far are kept: the same command goes on there.",
                   err=True)  # fmt: skip
        sys.exit(1)
    click.echo("\n".join(folder_lines(answer)))
    click.echo(f"Wrote {answer.table}")
    sys.exit(0 if all(row.get("ok") for row in answer.count.rows) else 1)
