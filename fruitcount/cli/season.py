"""``fruitcount season``: which tree next, the season's log and calendar."""

from __future__ import annotations

from datetime import date
from typing import Any

import click

import fruitcount.cli.options as opt

_DAY = click.DateTime(["%Y-%m-%d"])


@click.command("season")
@opt.db
@opt.photos
@click.option("--trees", type=opt.FOUND, help="CSV of the trees (tree, species, bloom_date ...).")
@click.option("--weather", type=opt.FOUND, help="CSV of temperatures: time, temperature_c or _f.")
@click.option("--year", type=click.IntRange(1900, 2200), help="Season. [default: the day's]")
@click.option("--day", type=_DAY, help="Tell what is due on this day. [default: today]")
@opt.out("Folder for the files.")
@click.option(
    "--counts", type=opt.FOUND, help="photos.csv of a folder count. [default: the records]"
)
@click.option("--limbs", type=opt.MANY, help="Limbs on each tree, if not measured.")
@click.option("--pace", type=click.FloatRange(min=0.1), help="Fruit you take off in a minute.")
@click.option("--hours", type=click.FloatRange(min=0), help="Hours you have for it in a week.")
@opt.paper
@opt.units
def season_command(**options: Any) -> None:
    """List the trees in the order to thin them: due now, second pass, late, left.

    Writes the season's log and a summary of each block (PDF) and, where a day is known, a
    calendar (.ics) to the out folder.
    """
    from contextlib import closing
    from dataclasses import replace

    from fruitcount.export.report_page import ReportSettings
    from fruitcount.jobs import season as files
    from fruitcount.jobs.tree_source import records_source, table_source
    from fruitcount.season import OrchardTree, read_trees
    from fruitcount.season.heat import heat_by_tree, read_weather
    from fruitcount.store import load_trees, open_records

    year, today = options["year"], (options["day"] or date.today())
    today = date(today.year, today.month, today.day)
    source = table_source(options["counts"]) if options["counts"] else None
    history, trees = {}, list[OrchardTree]()
    if options["trees"]:
        trees = read_trees(options["trees"])
    else:
        with closing(open_records(options["db"], photos_folder=options["photos"])) as store:
            trees = load_trees(store, year=year, day=today)
            history = files.history_of(store, trees)
            source = source or records_source(store, year=year, day=today)
    weather = read_weather(options["weather"]) if options["weather"] else None
    heat = heat_by_tree(trees, weather) if weather else {}
    gdh30 = {name: each.gdh30 for name, each in heat.items()}
    work = files.WorkFacts(options["limbs"], options["pace"], options["hours"])
    book = files.season_book(trees, today, year=year, gdh30=gdh30, source=source, work=work)
    how = ReportSettings(options["paper"], options["units"])
    written = files.write_season(replace(book, history=history), options["out"], settings=how)
    click.echo("\n".join(files.season_lines(book)))
    for note in weather.notes if weather else ():
        click.echo(f"{options['weather']}: {note}")
    for name, each in heat.items():
        click.echo(f"Heat after bloom, {name}: {each.words}.")
    click.echo("Wrote " + ", ".join(str(each) for each in written))
