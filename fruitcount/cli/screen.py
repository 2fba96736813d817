"""``fruitcount screen``: the screen in a browser."""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path

import click

__all__ = ["screen_command"]


@click.command("screen")
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    default=8501,
    show_default=True,
    help="Port to answer on.",
)
@click.option("--lan", is_flag=True, help="Also answer phones on this network; asks a passphrase.")
@click.option(
    "--passphrase",
    envvar="FRUITCOUNT_PASSPHRASE",
    help="For --lan, at least 8 characters. Better given as FRUITCOUNT_PASSPHRASE, or typed.",
)
@click.option(
    "--data",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of photos and corrections. [default: ~/.fruitcount]",
)
def screen_command(port: int, lan: bool, passphrase: str | None, data: Path | None) -> None:
    """Open the screen in a browser, on this computer only unless --lan is given."""
    from fruitcount.errors import BadInputError
    from fruitcount.resources import screen_folder

    # The screen stands outside the package, so that the library can never import it.
    sys.path.insert(0, str(screen_folder()))
    launch = import_module("screen_launch").launch
    if lan and not passphrase:
        passphrase = click.prompt("Passphrase for the screen", hide_input=True)
    try:
        launch(port=port, lan=lan, passphrase=passphrase, data_dir=data)
    except BadInputError as fault:
        raise click.UsageError(str(fault)) from fault
