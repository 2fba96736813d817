"""Options of the commands that use the records."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = ["db_option", "paper_option", "photos_option"]

db_option = click.option(
    "--db",
    default=None,
    help="Records: a data folder, a file or a postgresql:// URL. [default: the screen's]",
)
photos_option = click.option(
    "--photos",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of the photo files.",
)
paper_option = click.option(
    "--paper",
    type=click.Choice(["a4", "letter"]),
    default="a4",
    show_default=True,
    help="Paper size.",
)
