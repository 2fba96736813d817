"""Options, parameter types and the progress bar that several commands share."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click

from fruitcount.errors import BadInputError
from fruitcount.units import SYSTEMS, month_number, parse_length

F = TypeVar("F", bound=Callable[..., Any])

FILE = click.Path(path_type=Path, dir_okay=False)
FOLDER = click.Path(path_type=Path, file_okay=False)
FOUND = click.Path(path_type=Path, exists=True)
FOUND_FOLDER = click.Path(path_type=Path, exists=True, file_okay=False)
MANY = click.IntRange(min=1)


class _Typed(click.ParamType):  # type: ignore[type-arg,unused-ignore]
    """What is typed as words, by a reader that says in words what is wrong with them."""

    def __init__(self, name: str, read: Callable[[str], Any]) -> None:
        self.name, self.read = name, read

    def convert(self, value: Any, param: Any, ctx: Any) -> Any:
        if not isinstance(value, str):
            return value
        try:
            return self.read(value)
        except BadInputError as fault:
            self.fail(str(fault), param, ctx)


def _point(words: str) -> tuple[float, float]:
    try:
        x, y = (float(part) for part in words.split(","))
    except ValueError as fault:
        raise BadInputError(f"a point must read like 120,455 (pixels), got {words!r}") from fault
    return x, y


LENGTH = _Typed("length", parse_length)
MONTH = _Typed("month", month_number)
POINT = _Typed("x,y", _point)


def _choice(*names: str, choices: tuple[str, ...], default: str, help: str) -> Callable[[F], F]:
    kind = click.Choice(choices)
    return click.option(*names, type=kind, default=default, show_default=True, help=help)


def _stack(*options: Callable[[Any], Any]) -> Callable[[F], F]:
    def add(function: F) -> F:
        for option in reversed(options):
            function = option(function)
        return function

    return add


def out(what: str, default: str = "out") -> Callable[[F], F]:
    """``--out``, the folder that a command writes to."""
    return click.option("--out", type=FOLDER, default=default, show_default=True, help=what)


units = _choice("--units", choices=SYSTEMS, default="metric", help="Units to write results in.")
paper = _choice("--paper", choices=("a4", "letter"), default="a4", help="Paper size.")
photos = click.option("--photos", type=FOLDER, help="Folder of the photo files.")
db = click.option(
    "--db", help="Records: a data folder, a file or a postgresql:// URL. [default: the screen's]"
)
source = click.option(
    "--source",
    metavar="NAME",
    default="auto",
    show_default=True,
    help="What tells fruit from leaf: trained, classical, or auto.",
)
why = click.option("--why", is_flag=True, help="Also say where each number comes from.")
month = click.option("--ripening-month", type=MONTH, help="Month of harvest: 6 or June.")
spacing = click.option(
    "--spacing", "spacing_mm", type=LENGTH, help="Your own spacing between kept fruit."
)
harvest = click.option(
    "--harvest-diameter", "harvest_diameter_mm", type=LENGTH, help="Fruit size wanted at harvest."
)
scale = _stack(
    click.option("--card-side", type=LENGTH, help="Printed side of the scale card's square."),
    click.option("--limb-length", type=LENGTH, help="Measured length of the limb."),
    click.option("--fruit-diameter", type=LENGTH, help="Diameter of a usual fruitlet."),
    click.option(
        "--between",
        type=click.Tuple([POINT, POINT, LENGTH]),
        help="Two points of the photo and the length between them: x,y x,y 100mm.",
    ),
    click.option(
        "--disc",
        type=click.Tuple([POINT, str]),
        help="A point on a coin or ball, and its name or diameter: x,y us-quarter.",
    ),
    click.option(
        "--bank-card",
        type=click.Tuple([POINT] * 4),
        help="The four corners of an ID-1 card (bank card size), in turn.",
    ),
    click.option("--base", type=POINT, help="Where the limb starts (heavy end), in pixels."),
    click.option("--tip", type=POINT, help="Where the limb ends (thin end), in pixels."),
    click.option("--base-diameter", type=LENGTH, help="Limb thickness at its base."),
    click.option("--tip-diameter", type=LENGTH, help="Limb thickness at its tip, by caliper."),
    source,
    click.option(
        "--min-score", type=click.FloatRange(0, 1), help="Lowest detection score kept (0-1)."
    ),
)
grower = _stack(
    click.option(
        "--species", default="peach", show_default=True, help="One of: fruitcount species"
    ),
    click.option(
        "--pass",
        "pass_number",
        type=click.IntRange(1, 2),
        default=1,
        show_default=True,
        help="First or second pass of thinning.",
    ),
    month,
    click.option("--southern", is_flag=True, help="South of the equator."),
    spacing,
    harvest,
    click.option("--trade-size", help="The same by trade size code, such as AA."),
    click.option("--cap", type=click.IntRange(min=0), help="Keep no more than this many."),
    click.option("--light-set/--full-set", default=None, help="Is the set light?"),
    click.option("--drop-done/--drop-ahead", default=None, help="Has natural drop happened?"),
    _choice(
        "--plan",
        "plan_choice",
        choices=("quick", "full"),
        default="quick",
        help="Quick: shorten it. Full crop: pinch.",
    ),
    click.option(
        "--pairs/--singles", "allow_pairs", default=False, show_default=True, help="Two a cluster?"
    ),
)


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error; it takes how many are done, of how many."""
    with click.progressbar(length=1, label=label, file=sys.stderr) as bar:

        def progress(done: int, total: int) -> None:
            bar.length = max(total, 1)
            bar.update(done - bar.pos)

        yield progress
