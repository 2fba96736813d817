"""Options and parameter types that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from fruitcount.errors import BadInputError
from fruitcount.months import month_number
from fruitcount.units import SYSTEMS, parse_length

__all__ = ["LENGTH", "MONTH", "POINT", "grower_options", "scale_options", "units_option"]

F = TypeVar("F", bound=Callable[..., Any])


class _Length(click.ParamType):  # type: ignore[type-arg,unused-ignore]
    name = "length"

    def convert(self, value: Any, param: Any, ctx: Any) -> float:
        if isinstance(value, float):
            return value
        try:
            return parse_length(str(value))
        except BadInputError as fault:
            self.fail(str(fault), param, ctx)


class _Point(click.ParamType):  # type: ignore[type-arg,unused-ignore]
    name = "x,y"

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[float, float]:
        if isinstance(value, tuple):
            return value
        try:
            x, y = (float(part) for part in str(value).split(","))
        except ValueError:
            self.fail(f"a point must read like 120,455 (pixels), got {value!r}", param, ctx)
        return x, y


class _Month(click.ParamType):  # type: ignore[type-arg,unused-ignore]
    name = "month"

    def convert(self, value: Any, param: Any, ctx: Any) -> int:
        try:
            return month_number(str(value))
        except BadInputError as fault:
            self.fail(str(fault), param, ctx)


LENGTH = _Length()
MONTH = _Month()
POINT = _Point()

units_option = click.option(
    "--units",
    type=click.Choice(SYSTEMS),
    default="metric",
    show_default=True,
    help="Units to write results in.",
)


def _stack(options: list[Callable[[Any], Any]]) -> Callable[[F], F]:
    def add(function: F) -> F:
        for option in reversed(options):
            function = option(function)
        return function

    return add


scale_options = _stack(
    [
        click.option("--card-side", type=LENGTH, help="Printed side of the scale card's square."),
        click.option("--limb-length", type=LENGTH, help="Measured length of the limb."),
        click.option("--fruit-diameter", type=LENGTH, help="Diameter of a usual fruitlet."),
        click.option(
            "--between",
            nargs=3,
            type=click.Tuple([POINT, POINT, LENGTH]),
            help="Two points of the photo and the length between them: x,y x,y 100mm.",
        ),
        click.option(
            "--disc",
            nargs=2,
            type=click.Tuple([POINT, str]),
            help="A point on a coin or ball, and its name or diameter: x,y us-quarter.",
        ),
        click.option(
            "--bank-card",
            nargs=4,
            type=click.Tuple([POINT, POINT, POINT, POINT]),
            help="The four corners of an ID-1 card (bank card size), in turn.",
        ),
        click.option("--base", type=POINT, help="Where the limb starts (heavy end), in pixels."),
        click.option("--tip", type=POINT, help="Where the limb ends (thin end), in pixels."),
        click.option("--base-diameter", type=LENGTH, help="Limb thickness at its base."),
        click.option("--tip-diameter", type=LENGTH, help="Limb thickness at its tip, by caliper."),
        click.option(
            "--source",
            metavar="NAME",
            default="auto",
            show_default=True,
            help="What tells fruit from leaf: trained, classical, or auto.",
        ),
        click.option("--min-score", type=click.FloatRange(0, 1), help="Surer marks only."),
    ]
)

grower_options = _stack(
    [
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
        click.option("--ripening-month", type=MONTH, help="Month of harvest: 6 or June."),
        click.option("--southern", is_flag=True, help="South of the equator."),
        click.option("--spacing", type=LENGTH, help="Your own spacing between kept fruit."),
        click.option("--harvest-diameter", type=LENGTH, help="Fruit size wanted at harvest."),
        click.option("--trade-size", help="The same by trade size code, such as AA."),
        click.option("--cap", type=click.IntRange(min=0), help="Keep no more than this many."),
        click.option("--light-set/--full-set", default=None, help="Is the set light?"),
        click.option("--drop-done/--drop-ahead", default=None, help="Has natural drop happened?"),
        click.option(
            "--plan",
            "plan_choice",
            type=click.Choice(["quick", "full"]),
            default="quick",
            show_default=True,
            help="Quick: shorten it. Full crop: pinch.",
        ),
        click.option("--pairs/--singles", default=False, show_default=True, help="Two a cluster?"),
    ]
)
