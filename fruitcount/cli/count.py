"""``fruitcount count``, ``after`` and ``folder``: photos, each with its answer, and their check."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

import fruitcount.cli.options as opt
from fruitcount.export import EXPORTS
from fruitcount.files import is_clip, shown_name


@click.command("count")
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path, readable=False))
@opt.out("Folder for the pictures, records and table.")
@opt.why
@opt.flag("--no-picture", "Write no annotated picture.")
@opt.option("--first", "Record (.json) of the first pass: this is the second.", opt.FILE)
@opt.option("--also", f"Also write one of: {', '.join(EXPORTS)}. May be repeated.", multiple=True)
@opt.flag(
    "--same-limb", "The photos, or a short clip (MP4, MOV), show one limb: count each fruit once."
)
@opt.flag("--record", "Keep photo and count, for season and screen.")
@opt.option(
    "--tree", "With --record: the tree that the photos show.", default="", show_default=False
)
@opt.option("--limb", "With --record: its limb.", default="", show_default=False)
@opt.db
@opt.option("--photos photos_folder", "With --record: folder of the photo files.", opt.FOLDER)
@opt.units
@opt.scale
@opt.grower
def count_command(photos: tuple[Path, ...], out: Path, **options: Any) -> None:
    """Count the fruitlets on PHOTOS and say how many to keep.

    Writes, for each photo, an annotated picture and a JSON record to the out folder, and one CSV
    row to counts.csv there. With --record the words front, back, before and after in a file's name
    tell the side of the limb and the moment.
    """
    from fruitcount.cli.options import count_settings, grower_inputs
    from fruitcount.errors import FruitcountError
    from fruitcount.export.words import reason_lines, result_lines
    from fruitcount.jobs.count import CountChoice, count_files, read_left_standing

    choice = CountChoice(
        out, count_settings(options), grower_inputs(options), options["units"],
        not options["no_picture"], options["also"], options["first"]
    )  # fmt: skip
    if choice.first:
        read_left_standing(choice.first)  # wrong use is told before anything is counted
    if (options["tree"] or options["limb"]) and not options["record"]:
        raise click.UsageError("--tree and --limb say what --record keeps: give it too")

    if any(map(is_clip, photos)) and not options["same_limb"]:
        raise click.UsageError("a clip is counted with --same-limb")
    if options["record"] and not options["same_limb"]:  # a place that cannot be used is told first
        _records(options).close()
    refused = options["same_limb"] and not _same_limb(photos, choice, options)
    if options["same_limb"] and not refused:
        return

    def report(path: Path, outcome: Any, written: list[Path]) -> None:
        if isinstance(outcome, FruitcountError):
            click.echo(str(outcome), err=True)
            return
        click.echo("\n".join(result_lines(outcome, options["units"])))
        if options["why"]:
            click.echo("\n".join(reason_lines(outcome.decision)))
        click.echo("Wrote " + ", ".join(shown_name(str(each)) for each in written))
        if options["record"]:
            click.echo(_keep(path, outcome, options))
        click.echo()

    failed = count_files(photos, choice, report)
    sys.exit(1 if failed or refused else 0)


def _same_limb(photos: tuple[Path, ...], choice: Any, options: dict[str, Any]) -> bool:
    """Count all photos as one limb; False, once it is said, where they cannot be joined."""
    from fruitcount.errors import FruitcountError
    from fruitcount.export.words import result_lines
    from fruitcount.jobs.same_limb import count_same_limb, same_limb_lines

    clip = any(map(is_clip, photos))
    few = len(photos) < 2 and not clip
    if few or options["record"] or options["first"] or set(options["also"]) - {"coco"}:
        raise click.UsageError(
            "--same-limb takes a clip or at least two photos, of --also only coco, and neither "
            "--record nor --first"
        )
    try:
        with opt.progress_bar("Reading and counting") as bar:
            joined, result, written = count_same_limb(photos, choice, bar)
    except FruitcountError as fault:
        if clip:
            click.echo(str(fault), err=True)
            sys.exit(1)
        click.echo(f"{fault}. Each photo is counted by itself:\n", err=True)
        return False
    click.echo("\n".join([*same_limb_lines(joined), *result_lines(result, options["units"])]))
    click.echo("Wrote " + ", ".join(shown_name(str(each)) for each in written))
    return True


def _records(options: dict[str, Any]) -> Any:
    from fruitcount.store.base import open_records

    return open_records(options["db"], photos_folder=options["photos_folder"], create=True)


def _keep(path: Path, result: Any, options: dict[str, Any]) -> str:
    """Keep a count in the records, and say so."""
    from contextlib import closing

    from fruitcount.store.kept import record_count
    from fruitcount.tree.assignment import place_by_folder

    named = place_by_folder(path, path.parent)
    tree, limb = options["tree"].strip(), options["limb"].strip()
    with closing(_records(options)) as store:
        record_count(
            store, path, result, tree=tree, limb=limb, side=named.side, moment=named.moment
        )
        where = ", ".join(part for part in (tree, limb, named.side, named.moment) if part)
        return shown_name(f"Kept in {store.name}{f' as {where}' if where else ''}")


@click.command("after")
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path, readable=False))
@click.argument("record", type=opt.FILE)
@opt.scale
def after_command(photos: tuple[Path, ...], record: Path, **options: Any) -> None:
    """Compare PHOTOS of a limb, taken after thinning, with the RECORD of the plan (its .json)."""
    from fruitcount.cli.options import count_settings
    from fruitcount.errors import BadInputError, OtherLimbError, PhotoUnreadableError
    from fruitcount.jobs.count import check_photos

    settings = count_settings(options)
    try:
        click.echo(check_photos(photos, record, settings))
    except (BadInputError, OtherLimbError, PhotoUnreadableError) as fault:
        click.echo(str(fault), err=True)
        sys.exit(1)


@click.command("folder")
@click.argument("folder", type=opt.FOUND_FOLDER)
@opt.out("Folder for the table; a stopped run goes on from there.")
@opt.option(
    "--by",
    "What tells tree and limb of a photo; auto asks all, in this order.",
    ("auto", "sheet", "code", "card", "folder", "name"),
    default="auto",
)
@opt.option(
    "--pattern", "Of file names, such as {tree}_{limb}_{side}.", default="", show_default=False
)
@opt.option("--sheet", "CSV of photos: file, tree, limb, side, moment.", opt.FOUND)
@opt.option(
    "--cards", "CSV of the cards that stay with a tree: card number, tree, limb.", opt.FOUND
)
@opt.option("--limbs limbs_n", "Limbs on each tree, to give a total.", opt.MANY)
@opt.option("--workers", "Processes.", opt.MANY, default=2)
@opt.option("--cluster", "Address of a Dask scheduler to run on.", default=None)
@opt.flag("--pictures", "Write an annotated picture of each photo too.")
@opt.option("--learned", "Count with what your corrections of this recorded tree taught.")
@opt.db
@opt.units
@opt.scale
@opt.grower
def folder_command(folder: Path, **options: Any) -> None:
    """Count every photo below FOLDER and estimate its trees."""
    from fruitcount.cli.options import folder_choice
    from fruitcount.jobs.folder import count_folder_to_files, folder_lines

    choice = folder_choice(options)
    try:
        with opt.progress_bar("Counting") as bar:
            answer = count_folder_to_files(folder, choice, lambda now: bar(now.done_n, now.total_n))
    except KeyboardInterrupt:
        click.echo("\nStopped. The photos counted so far are kept: the same command goes on there.",
                   err=True)  # fmt: skip
        sys.exit(1)
    click.echo("\n".join(folder_lines(answer)))
    click.echo(f"Wrote {answer.table}")
    sys.exit(0 if all(row.get("ok") for row in answer.count.rows) else 1)
