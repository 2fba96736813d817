"""``fruitcount card``: the sheet of scale cards."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = ["card_command"]


@click.command("card")
@click.argument("out", type=click.Path(path_type=Path, dir_okay=False), default="scale-cards.pdf")
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter"]),
    default="a4",
    show_default=True,
    help="Paper size.",
)
def card_command(out: Path, paper: str) -> None:
    """Write the sheet of scale cards to OUT, a PDF to print at 100 %."""
    from fruitcount.export.card_sheet import write_card_sheet

    write_card_sheet(out, paper=paper)
    click.echo(f"Wrote {out}. Print at 100 % (no fit to page), then check the 100 mm line.")
