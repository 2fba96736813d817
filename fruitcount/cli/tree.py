"""``fruitcount tree``, ``walk``, ``season``: one tree's sheet, a tree without photos; all trees."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import click

import fruitcount.cli.options as opt


@click.command("tree")
@click.argument("table", required=False, type=opt.FOUND)
@opt.option("--tree name", "Which tree, where there are several.")
@opt.db
@opt.photos
@opt.option(
    "--limb-sheet", "CSV of every limb: tree, limb, base_diameter_mm, length_mm, group.", opt.FILE
)
@opt.flag("--by-group", "Limbs stand for those of their group, not by thickness.")
@opt.option(
    "--walks walk_sheet",
    "CSV of random walks (see fruitcount walk), to tell the total from.",
    opt.FILE,
)
@opt.option("--limbs limbs_n", "Limbs on the tree, if not measured.", opt.MANY)
@opt.option("--draw", "Draw limbs to photograph, by lot.", opt.MANY)
@opt.option("--seed", "Draw the same limbs again.", click.IntRange(min=0))
@opt.option("--hand-counts", "CSV of limbs counted by hand too: seen, true, limb.", opt.FILE)
@opt.option(
    "--both-sides sides_sheet",
    "CSV of limbs seen from two sides: limb, front, back, both (recognised in both); tells "
    "what neither shows, as a range. --hand-counts lead.",
    opt.FILE,
)
@opt.option(
    "--trunk trunk_circumference_mm", "Trunk circumference, 20 cm above ground.", opt.LENGTH
)
@opt.option("--age age_years", "Years of the tree, with --trunk.", click.IntRange(2, 200))
@opt.option("--crates crates_n", "Crates wanted from this tree.", click.FloatRange(min=0))
@opt.option("--crate-kg", "Fruit in a full crate, kg.", click.FloatRange(min=0.1))
@opt.spacing
@opt.harvest
@opt.option("--pace pace_n_per_min", "Fruit you take off in a minute.", click.FloatRange(min=0.1))
@opt.option("--species", "One of: fruitcount species. [default: peach, or as recorded]")
@opt.month
@opt.out("Folder for the sheet.")
@opt.paper
@opt.units
@opt.why
@opt.option(
    "--plan plan_choice",
    "Quick: shorten it. Full crop: pinch. [default: as counted]",
    ("quick", "full"),
)
def tree_command(table: Path | None, **options: Any) -> None:
    """Make one tree's work sheet from TABLE, the photos.csv of fruitcount folder.

    Without TABLE the records are used. The target comes from the crates if given, else the
    trunk, else the spacing; it is shared over the limbs by their thickness.
    """
    from contextlib import closing

    from fruitcount.cli.options import drawn_limbs, tree_facts
    from fruitcount.export.report_page import ReportSettings
    from fruitcount.jobs.tree import plan_of, sheet_path, tree_lines, write_tree_sheet
    from fruitcount.jobs.tree_source import records_source, table_source, tree_of
    from fruitcount.store.base import open_records

    if options["draw"]:
        click.echo(drawn_limbs(options))
        return
    if table is not None:
        source = table_source(table, photos=options["photos"])
    else:
        with closing(open_records(options["db"], photos_folder=options["photos"])) as store:
            source = records_source(store, newest=True)
    name = tree_of(source, options["name"])
    facts = tree_facts(options, name, source.known(name))
    path = sheet_path(options["out"], name)
    how = ReportSettings(options["paper"], options["units"])
    answer = plan_of(source, name, facts)
    write_tree_sheet(answer, path, source=source, settings=how)
    click.echo("\n".join(tree_lines(answer, options["units"], why=options["why"])))
    click.echo(f"Wrote {path}")


@click.command("walk")
@click.argument("diameters", nargs=-1, type=opt.LENGTH)
@opt.option(
    "--sheet", "CSV of the walks done: walk, fruit, and chance or diameter_mm, fork_mm.", opt.FILE
)
@opt.option("--seed", "Draw the same branch again.", click.IntRange(min=0))
def walk_command(diameters: tuple[float, ...], sheet: Path | None, seed: int | None) -> None:
    """Count a tree without photos, by random walks.

    At each fork give the DIAMETERS of its branches: one is drawn by chance, thicker ones more
    often. Go on along it to the tip and count the fruit on every piece of the way. With --sheet
    the walks done tell the tree's total, its interval and how many walks more would halve it.
    """
    from fruitcount.export.tree_work_sheet import estimate_line
    from fruitcount.tree.facts import read_walks
    from fruitcount.tree.sampling import draw_fork, more_paths, paths_total

    if bool(diameters) == bool(sheet):
        raise click.UsageError("give the diameters at a fork, or --sheet")
    if sheet is None:
        which, chance = draw_fork(diameters, seed=seed)
        click.echo(
            f"Take branch {which + 1} ({diameters[which]:g} mm). Its chance at this fork was "
            f"{chance:.4f}: note it with the fruit on this piece."
        )
        return
    walks = read_walks(sheet)
    total = paths_total(walks)
    click.echo(estimate_line(total))
    if total.known:
        click.echo(f"Walks more to about halve the interval: {more_paths(len(walks))}")
    else:
        click.echo("An interval needs 3 walks that do not differ too much; most trees 3 to 14.")


_DAY = click.DateTime(["%Y-%m-%d"])


@click.command("season")
@opt.db
@opt.photos
@opt.option("--trees", "CSV of the trees (tree, species, bloom_date ...).", opt.FOUND)
@opt.option("--weather", "CSV of temperatures: time, temperature_c or _f.", opt.FOUND)
@opt.option("--year", "Season. [default: the day's]", click.IntRange(1900, 2200))
@opt.option("--day", "Tell what is due on this day. [default: today]", _DAY)
@opt.out("Folder for the files.")
@opt.option("--counts", "photos.csv of a folder count. [default: the records]", opt.FOUND)
@opt.option("--limbs", "Limbs on each tree, if not measured.", opt.MANY)
@opt.option("--pace", "Fruit you take off in a minute.", click.FloatRange(min=0.1))
@opt.option("--hours", "Hours you have for it in a week.", click.FloatRange(min=0))
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
    from fruitcount.season.heat import heat_by_tree, read_weather
    from fruitcount.season.orchard import OrchardTree, read_trees
    from fruitcount.store.base import open_records
    from fruitcount.store.orchard import load_trees

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
