"""``fruitcount season``: which tree next, the season's log and calendar."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import click

from fruitcount.cli.options import units_option
from fruitcount.cli.records_options import db_option, paper_option, photos_option

__all__ = ["season_command"]

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command("season")
@db_option
@photos_option
@click.option("--trees", type=_FILE, help="CSV sheet of the trees, instead of the records.")
@click.option(
    "--weather",
    type=_FILE,
    help="CSV of temperatures (time, temperature_c or _f), at most 3 hours apart.",
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
@click.option("--hours", type=click.FloatRange(min=0), help="Hours you have for it in a week.")
@paper_option
@units_option
def season_command(**options: Any) -> None:
    """List the trees in the order to thin them: due now, second pass, late, left.

    Writes the season's log and a summary of each block (PDF) and, where a day is known, a
    calendar (.ics) to the out folder.
    """
    from contextlib import closing
    from dataclasses import replace

    from fruitcount.errors import FruitcountError
    from fruitcount.export.report_page import ReportSettings
    from fruitcount.export.season_files import (
        WorkFacts,
        history_of,
        season_book,
        season_lines,
        write_season,
    )
    from fruitcount.export.tree_source import records_source, table_source
    from fruitcount.season import OrchardTree, read_trees
    from fruitcount.season.heat import heat_by_tree, read_weather
    from fruitcount.store import load_trees, open_records

    day, year = options["day"], options["year"]
    today = day.date() if day else date.today()
    sheet, counts, weather = (options[k] for k in ("trees", "counts", "weather"))
    try:
        source = None if counts is None else table_source(counts)
        history, trees = {}, list[OrchardTree]()
        if sheet is not None:
            trees = read_trees(sheet)
        else:
            with closing(open_records(options["db"], photos_folder=options["photos"])) as store:
                trees = load_trees(store, year=year, day=today)
                history = history_of(store, trees)
                source = source or records_source(store, year=year, day=today)
        read = None if weather is None else read_weather(weather)
        heat = {} if read is None else heat_by_tree(trees, read)
        book = season_book(
            trees,
            today,
            year=year,
            gdh30={name: each.gdh30 for name, each in heat.items()},
            source=source,
            work=WorkFacts(options["limbs"], options["pace"], options["hours"]),
        )
        book = replace(book, history=history)
        how = ReportSettings(options["paper"], options["units"])
        written = write_season(book, options["out"], settings=how)
    except FruitcountError as fault:
        raise click.UsageError(str(fault)) from fault
    click.echo("\n".join(season_lines(book)))
    for note in read.notes if read else ():
        click.echo(f"{weather}: {note}")
    for name, each in heat.items():
        click.echo(f"Heat after bloom, {name}: {each.words}.")
    click.echo("Wrote " + ", ".join(str(each) for each in written))
