"""Command line: each command parses, calls one library function and prints.

Commands load on first use: ``fruitcount --help`` must not pay for OpenCV or Streamlit.
Exit codes: 0 done, 1 some photos failed, 2 wrong use or a place that cannot be read or written.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from typing import Any

import click

from fruitcount import __version__
from fruitcount.errors import FruitcountError
from fruitcount.files import shown_name

__all__ = ["COMMANDS", "main"]

COMMANDS: dict[str, tuple[str, str]] = {
    # command: (module that holds it, one line for --help)
    "count": ("count", "Count one photo, or several, and say how many fruit to keep."),
    "after": ("count", "Check a photo taken after thinning against the plan."),
    "folder": ("count", "Count a folder of photos of one tree or many."),
    "tree": ("tree", "Make a whole tree's work sheet: estimate, target, each limb's share."),
    "walk": ("tree", "Count a tree without photos, by random walks from trunk to tip."),
    "season": ("tree", "List the trees in the order to thin them, with log and calendar."),
    "records": ("records", "Back up, check, export, import and delete what is kept."),
    "card": ("tools", "Write the sheet of scale cards to print."),
    "evaluate": ("tools", "Measure the count against annotated photos."),
    "species": ("tools", "Show the figures used for a species, with their sources."),
    "screen": ("tools", "Open the screen in a browser, to correct counts by hand."),
}


@contextmanager
def _in_words() -> Iterator[None]:
    """What goes wrong is told in one sentence, with exit code 2."""
    try:
        yield
    except FruitcountError as fault:
        raise click.UsageError(str(fault)) from fault
    except UnicodeEncodeError as fault:
        told = f"this terminal's language cannot write {shown_name(fault.object, longest=80)!a}"
        raise click.UsageError(f"{told}: set LANG to C.UTF-8") from fault
    except ValueError as fault:
        if "null byte" not in str(fault):
            raise
        raise click.UsageError("a name cannot hold the sign NUL") from fault
    except RuntimeError as fault:
        if "lost sys.stdin" not in str(fault):
            raise
        raise click.UsageError("nobody can be asked here: give the option that answers") from fault
    except OSError as fault:
        if fault.errno == errno.EPIPE:  # the reader of a pipe went away: click ends quietly
            raise
        where = shown_name(str(fault.filename or "the output"))
        raise click.UsageError(f"{where}: {fault.strerror or fault}") from fault


class _Lazy(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = import_module(f"fruitcount.cli.{COMMANDS[cmd_name][0]}")
        command: click.Command = getattr(module, f"{cmd_name}_command")
        return command

    def make_context(self, *given: Any, **more: Any) -> click.Context:
        with _in_words():
            return super().make_context(*given, **more)

    def invoke(self, ctx: click.Context) -> Any:
        with _in_words():
            return super().invoke(ctx)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


@click.group(
    cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"], "show_default": True}
)
@click.version_option(__version__, prog_name="fruitcount")
def main() -> None:
    """From a limb photograph to a keep count for thinning stone fruit.

    Results are estimates. They do not promise that a limb will hold.
    """
    day = os.environ.get("SOURCE_DATE_EPOCH", "")
    if day and not day.isdecimal():  # what writes PDFs reads it, and knows no other answer
        raise click.UsageError(f"SOURCE_DATE_EPOCH must be seconds since 1970, got {day!r}")
