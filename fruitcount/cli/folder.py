"""``fruitcount folder``: photos of one tree or many, to a table and tree totals."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

import fruitcount.cli.options as opt


@click.command("folder")
@click.argument("folder", type=opt.FOUND_FOLDER)
@opt.out("Folder for the table; a stopped run goes on from there.")
@click.option(
    "--by",
    type=click.Choice(["auto", "sheet", "code", "card", "folder", "name"]),
    default="auto",
    show_default=True,
    help="What tells tree and limb of a photo; auto asks all, in this order.",
)
@click.option("--pattern", default="", help="Of file names, such as {tree}_{limb}_{side}.")
@click.option("--sheet", type=opt.FOUND, help="CSV of photos: file, tree, limb, side, moment.")
@click.option(
    "--cards",
    type=opt.FOUND,
    help="CSV of the cards that stay with a tree: card number, tree, limb.",
)
@click.option("--limbs", "limbs_n", type=opt.MANY, help="Limbs on each tree, to give a total.")
@click.option("--workers", type=opt.MANY, default=2, show_default=True, help="Processes.")
@click.option("--cluster", default=None, help="Address of a Dask scheduler to run on.")
@click.option("--pictures", is_flag=True, help="Write an annotated picture of each photo too.")
@click.option("--learned", help="Count with what your corrections of this recorded tree taught.")
@opt.db
@opt.units
@opt.scale
@opt.grower
def folder_command(folder: Path, **options: Any) -> None:
    """Count every photo below FOLDER and estimate its trees."""
    from fruitcount.cli.requests import count_settings, folder_choice, grower_inputs
    from fruitcount.jobs.folder import count_folder_to_files, folder_lines

    settings, inputs = count_settings(options), grower_inputs(options)
    choice = folder_choice(options)
    try:
        with opt.progress_bar("Counting") as bar:
            answer = count_folder_to_files(
                folder,
                choice,
                settings=settings,
                inputs=inputs,
                progress=lambda now: bar(now.done_n, now.total_n),
            )
    except KeyboardInterrupt:
        click.echo("\nStopped. The photos counted so far are kept: the same command goes on there.",
                   err=True)  # fmt: skip
        sys.exit(1)
    click.echo("\n".join(folder_lines(answer)))
    click.echo(f"Wrote {answer.table}")
    sys.exit(0 if all(row.get("ok") for row in answer.count.rows) else 1)
