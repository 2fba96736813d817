"""``fruitcount season``: which tree next, the season's log and calendar."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import click

from fruitcount.cli.options import units_option
from fruitcount.cli.records_options import db_option, paper_option, photos_option

__all__ = ["season_command"]


@click.command("season")
@db_option
@photos_option
@click.option(
    "--trees",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Take the trees from this CSV sheet instead of the records.",
)
@click.option(
    "--weather",
    type=click.Path(path_type=Path, dir_okay=False),
    help="CSV of hourly temperatures (time, temperature_c), for heat after bloom.",
)
@click.option("--year", type=click.IntRange(1900, 2200), help="Season. [default: the day's]")
@click.option(
    "--day",
    type=click.DateTime(["%Y-%m-%d"]),
    help="Tell what is due on this day. [default: today]",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default="out",
    show_default=True,
    help="Folder for the log and the calendar.",
)
@paper_option
@units_option
def season_command(
    db: str | None,
    photos: Path | None,
    trees: Path | None,
    weather: Path | None,
    year: int | None,
    day: datetime | None,
    out: Path,
    paper: str,
    units: str,
) -> None:
    """List the trees in the order to thin them: due now, second pass, late, left.

    Writes the season's log (PDF) and a calendar (.ics) to the out folder.
    """
    from contextlib import closing
    from dataclasses import replace

    from fruitcount.errors import FruitcountError
    from fruitcount.export.report_page import ReportSettings
    from fruitcount.export.season_files import (
        SeasonBook,
        season_lines,
        season_of_records,
        write_season,
    )
    from fruitcount.season.tree_list import read_trees
    from fruitcount.season.weather import heat_by_tree, read_hourly
    from fruitcount.store import open_records

    today = day.date() if day else date.today()
    which = year or today.year
    try:
        if trees is not None:
            book = SeasonBook(tuple(read_trees(trees)), {})
        else:
            with closing(open_records(db, photos_folder=photos)) as store:
                book = season_of_records(store, year=which)
        if weather is not None:
            book = replace(book, gdh30=heat_by_tree(book.trees, read_hourly(weather)))
        how = ReportSettings(paper, units)
        lines, written = write_season(book, out, year=which, today=today, settings=how)
    except FruitcountError as fault:
        raise click.UsageError(str(fault)) from fault
    click.echo("\n".join(season_lines(lines)))
    click.echo("Wrote " + ", ".join(str(each) for each in written))
