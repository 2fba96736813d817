"""``fruitcount evaluate``: the count against annotated photos."""

from __future__ import annotations

import sys
from pathlib import Path

import click

__all__ = ["evaluate_command"]


@click.command("evaluate")
@click.argument(
    "folders",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path, exists=True, file_okay=False),
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default="out/evaluate",
    show_default=True,
    help="Folder for the report, curve and worst photos.",
)
@click.option(
    "--source",
    metavar="NAME",
    default="auto",
    show_default=True,
    help="What tells fruit from leaf: trained, classical, or auto.",
)
@click.option("--held-back", is_flag=True, help="Only photos that the training held back.")
@click.option("--most", type=click.IntRange(min=1), help="At most this many photos a folder.")
def evaluate_command(
    folders: tuple[Path, ...], out: Path, source: str, held_back: bool, most: int | None
) -> None:
    """Measure the count against the annotated photos in FOLDERS.

    Reads YOLO txt, PASCAL VOC, COCO and truth.json; each folder is one set.
    """
    from fruitcount.errors import FruitcountError
    from fruitcount.evaluate.command import evaluate_folders

    try:
        with click.progressbar(length=1, label="Judging", file=sys.stderr) as bar:

            def progress(done: int, total: int) -> None:
                bar.length = max(total, 1)
                bar.update(done - bar.pos)

            text, written = evaluate_folders(
                folders,
                out,
                source=source,
                held_back_only=held_back,
                most_n=most,
                progress=progress,
            )
    except FruitcountError as fault:
        raise click.UsageError(str(fault)) from fault
    click.echo(text)
    click.echo(f"Wrote {len(written)} files to {out}")
