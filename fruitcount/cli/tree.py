"""``fruitcount tree``: one tree's estimate, target, shares and work sheet."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from fruitcount.cli.options import LENGTH, MONTH, units_option
from fruitcount.cli.records_options import db_option, paper_option, photos_option

__all__ = ["tree_command"]


@click.command("tree")
@click.argument("table", required=False, type=click.Path(path_type=Path, exists=True))
@click.option("--tree", "name", help="Which tree, where there are several.")
@db_option
@photos_option
@click.option(
    "--limb-sheet",
    type=click.Path(path_type=Path, dir_okay=False),
    help="CSV of every limb: tree, limb, base_diameter_mm, length_mm, group.",
)
@click.option(
    "--by-group", is_flag=True, help="Limbs stand for those of their group, not by thickness."
)
@click.option(
    "--walks",
    type=click.Path(path_type=Path, dir_okay=False),
    help="CSV of random walks (see fruitcount walk), to tell the total from.",
)
@click.option("--limbs", type=click.IntRange(min=1), help="Limbs on the tree, if not measured.")
@click.option("--draw", type=click.IntRange(min=1), help="Draw limbs to photograph, by lot.")
@click.option("--seed", type=int, help="Draw the same limbs again.")
@click.option(
    "--hand-counts",
    type=click.Path(path_type=Path, dir_okay=False),
    help="CSV of limbs counted by hand too: seen, true, limb.",
)
@click.option(
    "--both-sides",
    type=click.Path(path_type=Path, dir_okay=False),
    help="CSV of limbs seen from two sides: limb, front, back, both (recognised in both); tells "
    "what neither shows, as a range. --hand-counts lead.",
)
@click.option("--trunk", type=LENGTH, help="Trunk circumference, 20 cm above ground.")
@click.option("--age", type=click.IntRange(min=2), help="Years of the tree, with --trunk.")
@click.option("--crates", type=click.FloatRange(min=0), help="Crates wanted from this tree.")
@click.option("--crate-kg", type=click.FloatRange(min=0.1), help="Fruit in a full crate, kg.")
@click.option("--spacing", type=LENGTH, help="Your own spacing between kept fruit.")
@click.option("--harvest-diameter", type=LENGTH, help="Fruit size wanted at harvest.")
@click.option("--pace", type=click.FloatRange(min=0.1), help="Fruit you take off in a minute.")
@click.option("--species", help="One of: fruitcount species. [default: peach, or as recorded]")
@click.option("--ripening-month", type=MONTH, help="Month of harvest: 6 or June.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default="out",
    show_default=True,
    help="Folder for the sheet.",
)
@paper_option
@units_option
def tree_command(table: Path | None, **options: Any) -> None:
    """Make one tree's work sheet from TABLE, the photos.csv of fruitcount folder.

    Without TABLE the records are used. The target comes from the crates if given, else the
    trunk, else the spacing; it is shared over the limbs by their thickness.
    """
    from contextlib import closing

    from fruitcount.cli.requests import drawn_limbs, tree_facts
    from fruitcount.errors import FruitcountError
    from fruitcount.export.report_page import ReportSettings
    from fruitcount.jobs.tree import plan_of, sheet_path, tree_lines, write_tree_sheet
    from fruitcount.jobs.tree_source import records_source, table_source, tree_of
    from fruitcount.store import open_records

    try:
        if options["draw"]:
            click.echo(drawn_limbs(options))
            return
        if table is not None:
            source = table_source(table, photos=options["photos"])
        else:
            with closing(open_records(options["db"], photos_folder=options["photos"])) as store:
                source = records_source(store, newest=True)
        name = tree_of(source, options["name"])
        facts = tree_facts(options, name, source.facts.get(name))
        path = sheet_path(options["out"], name)
        how = ReportSettings(options["paper"], options["units"])
        answer = plan_of(source, name, facts)
        write_tree_sheet(answer, path, source=source, settings=how)
    except FruitcountError as fault:
        raise click.UsageError(str(fault)) from fault
    click.echo("\n".join(tree_lines(answer, options["units"])))
    click.echo(f"Wrote {path}")
