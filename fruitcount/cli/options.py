"""Options that several commands share, and the library's settings made from them; progress bar."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from fruitcount.errors import BadInputError, finite
from fruitcount.units import SYSTEMS, month_number, parse_length

if TYPE_CHECKING:
    from fruitcount.calibrate import Tuning
    from fruitcount.jobs.folder import FolderChoice
    from fruitcount.pipeline import CountSettings, ScaleRequest
    from fruitcount.plan.inputs import GrowerInputs
    from fruitcount.tree.facts import TreeFacts


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
        x, y = (finite("a point", float(part)) for part in words.split(","))
    except ValueError as fault:
        raise BadInputError(f"a point must read like 120,455 (pixels), got {words!r}") from fault
    return x, y


def disc_diameter_mm(name: str) -> float:
    """Diameter of a named coin or ball, or of a typed length.

    Raises
    ------
    BadInputError
        When it is neither; the message lists the names.
    """
    from fruitcount.image.references import DISC_DIAMETERS_MM

    for known, diameter_mm in DISC_DIAMETERS_MM.items():
        if name.lower().replace("-", " ") == known.replace("-", " "):
            return diameter_mm
    try:
        return parse_length(name)
    except BadInputError as fault:
        known = ", ".join(sorted(DISC_DIAMETERS_MM))
        raise BadInputError(f"disc must be a length or one of {known}; got {name!r}") from fault


LENGTH = _Typed("length", parse_length)
MONTH = _Typed("month", month_number)
POINT = _Typed("x,y", _point)
DISC = _Typed("text", disc_diameter_mm)


def option(names: str, help: str, kind: Any = None, **more: Any) -> Callable[[F], F]:
    """One option: its names, parted by blanks, what it is for, and its value's type or choices."""
    kind = click.Choice(kind) if isinstance(kind, tuple) else kind
    return click.option(*names.split(), help=help, type=kind, **more)


def flag(names: str, help: str) -> Callable[[F], F]:
    """One option that is given or not."""
    return click.option(*names.split(), help=help, is_flag=True)


def _stack(*options: Callable[[Any], Any]) -> Callable[[F], F]:
    def add(function: F) -> F:
        for option in reversed(options):
            function = option(function)
        return function

    return add


def out(what: str, default: str = "out") -> Callable[[F], F]:
    """``--out``, the folder that a command writes to."""
    return option("--out", what, FOLDER, default=default)


units = option("--units", "Units to write results in.", SYSTEMS, default="metric")
paper = option("--paper", "Paper size.", ("a4", "letter"), default="a4")
photos = option("--photos", "Folder of the photo files.", FOLDER)
db = option(
    "--db", "Records: a data folder, a file or a postgresql:// URL. [default: the screen's]"
)
source = option(
    "--source",
    "What tells fruit from leaf: trained, classical, or auto.",
    metavar="NAME",
    default="auto",
)
why = flag("--why", "Also say where each number comes from.")
month = option("--ripening-month", "Month of harvest: 6 or June.", MONTH)
spacing = option("--spacing spacing_mm", "Your own spacing between kept fruit.", LENGTH)
harvest = option("--harvest-diameter harvest_diameter_mm", "Fruit size wanted at harvest.", LENGTH)
scale = _stack(
    option("--card-side", "Printed side of the scale card's square.", LENGTH),
    option("--limb-length", "Measured length of the limb.", LENGTH),
    option("--fruit-diameter", "Diameter of a usual fruitlet.", LENGTH),
    option(
        "--between",
        "Two points of the photo and the length between them: x,y x,y 100mm.",
        click.Tuple([POINT, POINT, LENGTH]),
    ),
    option(
        "--disc",
        "A point on a coin or ball, and its name or diameter: x,y us-quarter.",
        click.Tuple([POINT, DISC]),
    ),
    option(
        "--bank-card",
        "The four corners of an ID-1 card (bank card size), in turn.",
        click.Tuple([POINT] * 4),
    ),
    option("--base base_px", "Where the limb starts (heavy end), in pixels.", POINT),
    option("--tip tip_px", "Where the limb ends (thin end), in pixels.", POINT),
    option("--base-diameter base_diameter_mm", "Limb thickness at its base.", LENGTH),
    option("--tip-diameter tip_diameter_mm", "Limb thickness at its tip, by caliper.", LENGTH),
    source,
    option("--min-score", "Lowest detection score kept (0-1).", click.FloatRange(0, 1)),
)
grower = _stack(
    option("--species", "One of: fruitcount species", default="peach"),
    option(
        "--pass pass_number", "First or second pass of thinning.", click.IntRange(1, 2), default=1
    ),
    month,
    flag("--southern", "South of the equator."),
    spacing,
    harvest,
    option("--trade-size", "The same by trade size code, such as AA."),
    option("--cap", "Keep no more than this many.", click.IntRange(min=0)),
    option("--light-set/--full-set", "Is the set light?", default=None),
    option("--drop-done/--drop-ahead", "Has natural drop happened?", default=None),
    option(
        "--plan plan_choice",
        "Quick: shorten it. Full crop: pinch.",
        ("quick", "full"),
        default="quick",
    ),
    option("--pairs/--singles allow_pairs", "Two a cluster?", default=False),
)


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error; it takes how many are done, of how many."""
    with click.progressbar(length=1, label=label, file=sys.stderr) as bar:

        def progress(done: int, total: int) -> None:
            bar.length = max(total, 1)
            bar.update(done - bar.pos)

        yield progress


# option that gives a scale: what kind it is
_SCALES = {
    "limb_length": "limb length",
    "fruit_diameter": "fruit",
    "between": "points",
    "disc": "disc",
    "bank_card": "bank card",
}


def _scale(options: dict[str, Any]) -> ScaleRequest:
    from fruitcount.pipeline import ScaleRequest

    given = [name for name in _SCALES if options.get(name)]
    if len(given) > 1:
        words = " and ".join("--" + name.replace("_", "-") for name in given)
        raise BadInputError(f"give one scale, not {words} together")
    if not given:
        return ScaleRequest("card", options.get("card_side") or float("nan"))
    kind, value = _SCALES[given[0]], options[given[0]]
    if kind == "bank card":
        return ScaleRequest(kind, points_px=value)
    *points, length = value if isinstance(value, tuple) else (value,)
    return ScaleRequest(kind, length, tuple(points))


def count_settings(options: dict[str, Any]) -> CountSettings:
    """Settings of the measurement from parsed options.

    Raises
    ------
    BadInputError
        When options contradict each other or break a rule.
    """
    from fruitcount.pipeline import CountSettings

    names = {f.name for f in fields(CountSettings)}
    told = {k: v for k, v in options.items() if k in names and k != "scale" and v is not None}
    return CountSettings(scale=_scale(options), **told)


def grower_inputs(options: dict[str, Any]) -> GrowerInputs:
    """What the grower says of the tree, from parsed options.

    Raises
    ------
    FruitcountError
        When a rule is broken or the species is not known.
    """
    from fruitcount.plan.fruit_size import diameter_of_code
    from fruitcount.plan.inputs import GrowerInputs
    from fruitcount.species.model import load_species

    diameter, code = options["harvest_diameter_mm"], options["trade_size"]
    species = load_species(options["species"])
    if code is not None:
        if diameter is not None:
            raise BadInputError("give --trade-size or --harvest-diameter, not both")
        diameter = diameter_of_code(species, code)
    return GrowerInputs(
        **{f.name: options[f.name] for f in fields(GrowerInputs) if f.name in options}
        | {"harvest_diameter_mm": diameter}
    )


def folder_choice(options: dict[str, Any]) -> FolderChoice:
    """How a folder is counted, from parsed options.

    Raises
    ------
    FruitcountError
        When the sheet or the pattern cannot be used.
    """
    from fruitcount.jobs.folder import FolderChoice
    from fruitcount.tree.assignment import AssignmentRules, read_card_sheet, read_sheet
    from fruitcount.tree.run import BatchSettings

    cluster = options["cluster"]
    engine = "dask" if cluster is not None else "processes" if options["workers"] > 1 else "serial"
    sheet = read_sheet(options["sheet"]) if options["sheet"] else {}
    cards = read_card_sheet(options["cards"]) if options["cards"] else {}
    return FolderChoice(
        out=options["out"], settings=count_settings(options), inputs=grower_inputs(options),
        naming=AssignmentRules(options["by"], pattern=options["pattern"], sheet=sheet, cards=cards),
        batch=BatchSettings(engine, workers=options["workers"], scheduler=cluster or ""),
        limbs_n=options["limbs_n"], pictures=options["pictures"], units=options["units"],
        tuning=_learned(options["learned"], options["db"]) if options["learned"] else None
    )  # fmt: skip


def _learned(tree: str, db: str | None) -> Tuning:
    """What the corrections of a recorded tree taught."""
    from contextlib import closing

    from fruitcount.calibrate import tuning_from_record
    from fruitcount.store.base import open_records
    from fruitcount.store.limbs import load_tuning
    from fruitcount.store.orchard import tree_id_of

    with closing(open_records(db)) as store:
        number = tree_id_of(store, tree)
        kept = None if number is None else load_tuning(store, number)
    if kept is None:
        raise BadInputError(f"nothing learned is in use for tree {tree!r}: accept it on the screen")
    return tuning_from_record(kept.body["tuning"])


def drawn_limbs(options: dict[str, Any]) -> str:
    """Which limbs to photograph, drawn by lot, in words.

    Raises
    ------
    FruitcountError
        When the limbs are not told, or are fewer.
    """
    from fruitcount.tree.facts import TreeFacts, read_limb_sizes
    from fruitcount.tree.sampling import draw_limbs

    n, seed = options["draw"], options["seed"]
    if options["limb_sheet"]:
        sizes = read_limb_sizes(options["limb_sheet"], options["name"] or "")
        widths = [size.base_diameter_mm for size in sizes.values()]
        names = draw_limbs(list(sizes), n, diameters_mm=widths, seed=seed)
        return f"Photograph limb {', '.join(names)}: drawn by lot, one of each size group."
    limbs_n = TreeFacts(limbs_n=options["limbs_n"]).limbs_n
    if limbs_n is None:
        raise BadInputError("--draw needs --limbs (how many the tree has) or --limb-sheet")
    names = draw_limbs([str(k) for k in range(1, limbs_n + 1)], n, seed=seed)
    return (
        f"Photograph limb {', '.join(names)} of {limbs_n}, drawn by lot. Number the limbs from the "
        "lowest up, round the trunk."
    )


def tree_facts(options: dict[str, Any], tree: str, known: TreeFacts | None) -> TreeFacts:
    """What is known of a tree: what was typed, else what the records say.

    Raises
    ------
    FruitcountError
        When a sheet cannot be used or a rule is broken.
    """
    from fruitcount.tree.facts import (
        TreeFacts,
        read_both_sides,
        read_hand_counts,
        read_limb_sizes,
        read_walks,
    )

    typed = {f.name: options.get(f.name) for f in fields(TreeFacts)}
    facts = replace(known or TreeFacts(), **{k: v for k, v in typed.items() if v is not None})
    if options["limb_sheet"]:
        facts = replace(facts, limb_sizes=read_limb_sizes(options["limb_sheet"], tree))
    if options["walk_sheet"]:
        facts = replace(facts, walks=read_walks(options["walk_sheet"]))
    if options["hand_counts"]:
        pairs, limbs = read_hand_counts(options["hand_counts"])
        facts = replace(facts, seen_true=pairs, hand_limbs=limbs)
    if options["sides_sheet"]:
        facts = replace(facts, both_sides=read_both_sides(options["sides_sheet"], tree))
    led = ("crates_n", "trunk_circumference_mm")
    if options["spacing_mm"] is not None and all(options[name] is None for name in led):
        facts = replace(facts, trunk_circumference_mm=None)  # the typed spacing leads
    return facts
