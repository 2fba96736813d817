"""``fruitcount after``: check whether the work was enough."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from fruitcount.cli.options import scale_options

__all__ = ["after_command"]


@click.command("after")
@click.argument("photo", type=click.Path(path_type=Path))
@click.argument("record", type=click.Path(path_type=Path, dir_okay=False))
@scale_options
def after_command(photo: Path, record: Path, **options: Any) -> None:
    """Compare PHOTO, taken after thinning, with the RECORD of the plan (its .json)."""
    from fruitcount.cli.requests import count_settings
    from fruitcount.errors import FruitcountError, RecordError
    from fruitcount.jobs.followup import check_photo

    settings = count_settings(options)
    try:
        check = check_photo(photo, record, settings)
    except RecordError as fault:
        raise click.UsageError(str(fault)) from fault
    except FruitcountError as fault:
        click.echo(str(fault), err=True)
        sys.exit(1)
    click.echo(check.sentence)
