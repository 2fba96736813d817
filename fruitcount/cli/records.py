"""``fruitcount records``: back up, check, export, import and delete what is kept."""

from __future__ import annotations

import sys
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import click

import fruitcount.cli.options as opt

_LOCATION = "Keep the place where each photo was taken, if it is there."


@click.group("records")
@opt.db
@opt.photos
@click.pass_context
def records_command(ctx: click.Context, db: str | None, photos: Path | None) -> None:
    """Back up, check, export, import and delete records and photos."""
    ctx.obj = {"where": db, "photos_folder": photos}


def _opened(ctx: click.Context, *, create: bool = False) -> Any:
    from fruitcount.store.base import open_records

    where, photos = ctx.obj["where"], ctx.obj["photos_folder"]
    return closing(open_records(where, photos_folder=photos, create=create))


@records_command.command("backup")
@click.argument("file", type=opt.FILE)
@opt.flag("--keep-location", _LOCATION)
@click.pass_context
def backup_command(ctx: click.Context, file: Path, keep_location: bool) -> None:
    """Write all records and photos to one zip FILE and read it back."""
    from fruitcount.store.archive import write_archive

    with _opened(ctx) as store:
        written = write_archive(store, file, keep_location=keep_location)
    click.echo(f"Wrote {written} ({written.stat().st_size / 1e6:.1f} MB), read back whole.")


@records_command.command("check")
@opt.flag("--delete-unused", "Delete photo files that belong to no record.")
@click.pass_context
def check_command(ctx: click.Context, delete_unused: bool) -> None:
    """Look through all records and photo files for damage, and who else can reach them."""
    from fruitcount.store.archive import delete_unused_files, find_damage
    from fruitcount.store.base import shared_with

    with _opened(ctx) as store:
        if delete_unused:
            click.echo(f"Deleted {delete_unused_files(store)} unused files.")
        damage = find_damage(store)
        home = store.file.parent if store.file else store.photos_folder
        photos = home if store.photos_folder.parent == home else store.photos_folder
        shared = "\n".join(filter(None, map(shared_with, dict.fromkeys((home, photos)))))
    click.echo("\n".join(damage) or "All records and photo files are whole.")
    if shared:
        click.echo(f"Mind: {shared}", err=True)
    sys.exit(1 if damage else 0)


@records_command.command("export")
@click.argument("folder", type=opt.FOLDER)
@opt.option("--as form", "A CSV file a table, or one COCO file.", ("csv", "coco"), default="csv")
@opt.flag("--no-photos", "Leave the photo files out.")
@opt.flag("--keep-location", _LOCATION)
@click.pass_context
def export_command(
    ctx: click.Context, folder: Path, form: str, no_photos: bool, keep_location: bool
) -> None:
    """Write all records, with the photos, as open files to FOLDER; import reads them back."""
    from fruitcount.store.open_folder import write_coco_folder, write_csv_folder

    write = write_coco_folder if form == "coco" else write_csv_folder
    with _opened(ctx) as store:
        written = write(store, folder, photos=not no_photos, keep_location=keep_location)
    files = "1 file" if len(written) == 1 else f"{len(written)} files"
    click.echo(f"Wrote {files}{'' if no_photos else ' and the photos'} to {folder}")


@records_command.command("import")
@click.argument("source", type=opt.FOUND)
@opt.flag("--keep-location", _LOCATION)
@click.pass_context
def import_command(ctx: click.Context, source: Path, keep_location: bool) -> None:
    """Read a backup, or an exported folder, into records that are empty."""
    from fruitcount.errors import FruitcountError
    from fruitcount.store.archive import find_damage, read_archive
    from fruitcount.store.base import records_file
    from fruitcount.store.open_folder import COCO_FILE, read_coco_folder, read_csv_folder

    read: Any = read_csv_folder if source.is_dir() else read_archive
    if (source / COCO_FILE).is_file():
        read = read_coco_folder
    file = records_file(ctx.obj["where"])
    made_here = file is not None and not file.exists()
    try:
        with _opened(ctx, create=True) as store:
            count = read(store, source, keep_location=keep_location)
            beside = source.is_dir() and not (source / "photos").is_dir()
            damage = find_damage(store, hashed=beside)  # else each was checked when it was put back
    except (FruitcountError, OSError):
        if made_here and file is not None:  # what was not there before is not left behind empty
            for ending in ("", "-wal", "-shm"):
                file.with_name(file.name + ending).unlink(missing_ok=True)
            with suppress(OSError):  # photos that were there before stay
                file.with_name(f"{file.stem}-photos").rmdir()
        raise
    click.echo("\n".join([f"Read {count} rows.", *damage]))
    sys.exit(1 if damage else 0)


@records_command.command("delete")
@opt.option("--tree tree", "Name of the tree to delete, with all its photos.")
@opt.option("--photo", "Number of the photo to delete.", click.IntRange(1, 2**31 - 1))
@opt.flag("--yes", "Do not ask again.")
@click.pass_context
def delete_command(ctx: click.Context, tree: str | None, photo: int | None, yes: bool) -> None:
    """Delete a tree or a photo for good; copies in earlier backups stay."""
    from fruitcount.errors import RecordError
    from fruitcount.store.orchard import delete_tree, tree_id_of
    from fruitcount.store.photos import delete_photo

    if (tree is None) == (photo is None):
        raise click.UsageError("give either --tree or --photo")
    what = f"tree {tree!r} with all its photos" if tree is not None else f"photo {photo}"
    with _opened(ctx) as store:
        tree_id = None if tree is None else tree_id_of(store, tree)
        if tree is not None and tree_id is None:
            raise RecordError(f"{store.name}: there is no tree {tree!r}")
        if not yes:
            click.confirm(f"Delete {what} for good?", abort=True)
        if tree_id is not None:
            delete_tree(store, tree_id)
        elif photo is not None:
            delete_photo(store, photo)
    click.echo(f"Deleted {what}.")
