"""Commands that stand by themselves: scale cards, species figures, evaluation, the screen."""

from __future__ import annotations

import sys
from dataclasses import fields
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import click

import fruitcount.cli.options as opt

if TYPE_CHECKING:
    from fruitcount.species.model import Species


@click.command("card")
@click.argument("out", type=opt.FILE, default="scale-cards.pdf")
@opt.paper
@opt.option("--tree", "Name of a tree, put on the cards as a QR code.")
@opt.option("--limb limbs", "With --tree: a limb; repeat it for more.", multiple=True)
@opt.option(
    "--side",
    "With --tree: one card size, mm. [default: 60, 50 and 40; 50 for several limbs]",
    float,
)
def card_command(
    out: Path, paper: str, tree: str | None, limbs: tuple[str, ...], side: float | None
) -> None:
    """Write the sheet of scale cards to OUT, a PDF to print at 100 %."""
    from fruitcount.export.card_sheet import SHEET, tree_cards, write_card_sheet

    if tree is None and (limbs or side):
        raise click.UsageError("--limb and --side need --tree")
    cards = SHEET if tree is None else tree_cards(tree, limbs, side_mm=side)
    write_card_sheet(out, paper=paper, cards=cards)
    click.echo(f"Wrote {out}. Print at 100 % (no fit to page), then check the 100 mm line.")


@click.command("evaluate")
@click.argument("folders", nargs=-1, required=True, type=opt.FOUND_FOLDER)
@opt.out("Folder for the report, curve and worst photos.", "out/evaluate")
@opt.source
@opt.flag("--held-back", "Only photos that the training held back.")
@opt.option("--most", "At most this many photos a folder.", opt.MANY)
def evaluate_command(
    folders: tuple[Path, ...], out: Path, source: str, held_back: bool, most: int | None
) -> None:
    """Measure the count against the annotated photos in FOLDERS.

    Reads YOLO txt, PASCAL VOC, COCO and truth.json; each folder is one set.
    """
    from fruitcount.evaluate.command import evaluate_folders

    with opt.progress_bar("Judging") as bar:
        text, written = evaluate_folders(
            folders, out, source=source, held_back_only=held_back, most_n=most, progress=bar
        )
    click.echo(text)
    click.echo(f"Wrote {len(written)} files to {out}")


@click.command("screen")
@opt.option("--port", "Port to answer on.", click.IntRange(1, 65535), default=8501)
@opt.flag("--lan", "Also answer phones on this network; asks a passphrase.")
@opt.option(
    "--passphrase",
    "For --lan, at least 8 characters. Better given as FRUITCOUNT_PASSPHRASE, or typed.",
    envvar="FRUITCOUNT_PASSPHRASE",
)
@opt.option(
    "--https/--no-https",
    "For --lan: encrypt, or do not. [default: where the https extra is installed]",
    default=None,
)
@opt.option("--data", "Folder of photos and corrections. [default: ~/.fruitcount]", opt.FOLDER)
def screen_command(
    port: int, lan: bool, passphrase: str | None, https: bool | None, data: Path | None
) -> None:
    """Open the screen in a browser, on this computer only unless --lan is given."""
    from fruitcount.files import screen_folder

    # The screen stands outside the package, so that the library can never import it.
    sys.path.insert(0, str(screen_folder()))
    launch = import_module("screen_launch").launch
    if lan and not passphrase:
        if sys.stdin and sys.stdin.isatty():
            passphrase = click.prompt("Passphrase for the screen", hide_input=True)
        elif sys.stdin:  # nobody can be asked, what is piped in is taken
            passphrase = sys.stdin.readline().strip()
    launch(port=port, lan=lan, passphrase=passphrase, data_dir=data, https=https)


@click.command("species")
@click.argument("name", required=False)
def species_command(name: str | None) -> None:
    """Show the figures used for species NAME with their sources, or list the names."""
    from fruitcount.species.model import load_species, species_names

    if name is None:
        lines = [f"{each:28} {load_species(each).title}" for each in species_names()]
    else:
        lines = _figures(load_species(name))
    click.echo("\n".join(lines))


def _figures(species: Species) -> list[str]:
    """Every sourced number of a species, a line for the value and a line for its source."""
    from fruitcount.species.model import UNKNOWN, Sourced

    thinned = "thinned by hand" if species.thinned else "not thinned by hand"
    lines = [f"{species.title}: {thinned} ({species.thinned_source})", species.cluster_rule]
    for each in fields(species):
        number = getattr(species, each.name)
        if isinstance(number, Sourced) and number is not UNKNOWN:
            values = number.value if isinstance(number.value, tuple) else (number.value,)
            words = " to ".join(f"{value:g}" for value in values)
            lines.append(f"{each.name:30} {words:>16}   {number.status}")
            lines.append(f"{'':30} {'':>16}   {number.source}")
    for name, source in (species.tables_source or {}).items():
        lines.append(f"table {name}: {source.status}, {source.source}")
    return lines
