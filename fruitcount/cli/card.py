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
@click.option("--tree", help="Name of a tree, put on the cards as a QR code.")
@click.option("--limb", "limbs", multiple=True, help="With --tree: a limb; repeat it for more.")
@click.option(
    "--side",
    type=click.Choice(["30", "40", "50", "60"]),
    help="With --tree: one card size, mm. [default: 60, 50 and 40; 50 for several limbs]",
)
def card_command(
    out: Path, paper: str, tree: str | None, limbs: tuple[str, ...], side: str | None
) -> None:
    """Write the sheet of scale cards to OUT, a PDF to print at 100 %."""
    from fruitcount.errors import FruitcountError
    from fruitcount.export.card_layout import tree_cards
    from fruitcount.export.card_sheet import write_card_sheet

    if tree is None and (limbs or side):
        raise click.UsageError("--limb and --side need --tree")
    try:
        side_mm = None if side is None else float(side)
        cards = [] if tree is None else tree_cards(tree, limbs, side_mm=side_mm)
        write_card_sheet(out, paper=paper, cards=cards)
    except FruitcountError as fault:
        raise click.UsageError(str(fault)) from fault
    click.echo(f"Wrote {out}. Print at 100 % (no fit to page), then check the 100 mm line.")
