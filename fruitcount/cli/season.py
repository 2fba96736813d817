"""``fruitcount season``: which tree next, the season's log and calendar."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

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
@click.option(
    "--counts",
    type=click.Path(path_type=Path, exists=True),
    help="photos.csv of fruitcount folder, for the block summaries. [default: the records]",
)
@click.option("--limbs", type=click.IntRange(min=1), help="Limbs on each tree, if not measured.")
@click.option("--pace", type=click.FloatRange(min=0.1), help="Fruit you take off in a minute.")
@paper_option
@units_option
def season_command(**options: Any) -> None:
    """List the trees in the order to thin them: due now, second pass, late, left.

    Writes the season's log and a summary of each block (PDF) and a calendar (.ics) to the out
    folder.
    """
    from contextlib import closing
    from dataclasses import replace

    from fruitcount.errors import FruitcountError
    from fruitcount.export.block_files import BlockCounts
    from fruitcount.export.report_page import ReportSettings
    from fruitcount.export.season_files import (
        SeasonBook,
        season_lines,
        season_of_records,
        write_season,
    )
    from fruitcount.export.tree_source import TreeSource, records_source, table_source
    from fruitcount.season.tree_list import read_trees
    from fruitcount.season.weather import heat_by_tree, read_hourly
    from fruitcount.store import open_records

    day = options["day"]
    today = day.date() if day else date.today()
    which = options["year"] or today.year
    trees, counts, weather = (options[k] for k in ("trees", "counts", "weather"))
    try:
        source = TreeSource((), {}) if counts is None else table_source(counts)
        if trees is not None:
            book = SeasonBook(tuple(read_trees(trees)), {})
        else:
            with closing(open_records(options["db"], photos_folder=options["photos"])) as store:
                book = season_of_records(store, year=which)
                source = records_source(store, year=which) if counts is None else source
        if weather is not None:
            book = replace(book, gdh30=heat_by_tree(book.trees, read_hourly(weather)))
        how = ReportSettings(options["paper"], options["units"])
        counted = BlockCounts(source, options["limbs"], options["pace"])
        lines, written = write_season(
            book, options["out"], year=which, today=today, settings=how, counts=counted
        )
    except FruitcountError as fault:
        raise click.UsageError(str(fault)) from fault
    click.echo("\n".join(season_lines(lines)))
    click.echo("Wrote " + ", ".join(str(each) for each in written))
