"""From parsed options to the library's settings; shared by ``count`` and ``folder``."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

from fruitcount.errors import BadInputError

if TYPE_CHECKING:
    from fruitcount.calibrate.tuning import Tuning
    from fruitcount.count_settings import CountSettings, ScaleRequest
    from fruitcount.jobs.folder import FolderChoice
    from fruitcount.plan.inputs import GrowerInputs
    from fruitcount.tree.facts import TreeFacts


def disc_diameter_mm(name: str) -> float:
    """Diameter of a named coin or ball, or of a typed length.

    Raises
    ------
    BadInputError
        When it is neither; the message lists the names.
    """
    from fruitcount.image.references import DISC_DIAMETERS_MM
    from fruitcount.units import parse_length

    if name in DISC_DIAMETERS_MM:
        return float(DISC_DIAMETERS_MM[name])
    try:
        return parse_length(name)
    except BadInputError as fault:
        known = ", ".join(sorted(DISC_DIAMETERS_MM))
        raise BadInputError(f"disc must be a length or one of {known}; got {name!r}") from fault


def _scale(options: dict[str, Any]) -> ScaleRequest:
    from fruitcount.count_settings import ScaleRequest

    names = ("limb_length", "fruit_diameter", "between", "disc", "bank_card")
    given = [name for name in names if options.get(name)]
    if len(given) > 1:
        words = " and ".join("--" + name.replace("_", "-") for name in given)
        raise BadInputError(f"give one scale, not {words} together")
    if options.get("between"):
        first, second, length = options["between"]
        return ScaleRequest("points", length, (first, second))
    if options.get("disc"):
        at, name = options["disc"]
        return ScaleRequest("disc", disc_diameter_mm(name), (at,))
    if options.get("bank_card"):
        return ScaleRequest("bank card", points_px=tuple(options["bank_card"]))
    if options.get("limb_length"):
        return ScaleRequest("limb length", options["limb_length"])
    if options.get("fruit_diameter"):
        return ScaleRequest("fruit", options["fruit_diameter"])
    side = options.get("card_side")
    return ScaleRequest("card", float("nan") if side is None else side)


def count_settings(options: dict[str, Any]) -> CountSettings:
    """Settings of the measurement from parsed options.

    Raises
    ------
    BadInputError
        When options contradict each other or break a rule.
    """
    from fruitcount.count_settings import CountSettings

    nan = float("nan")
    return CountSettings(
        source=options["source"],
        scale=_scale(options),
        base_px=options["base"],
        tip_px=options["tip"],
        base_diameter_mm=options["base_diameter"] or nan,
        tip_diameter_mm=options["tip_diameter"] or nan,
        min_score=options["min_score"],
    )


def grower_inputs(options: dict[str, Any]) -> GrowerInputs:
    """What the grower says of the tree, from parsed options.

    Raises
    ------
    FruitcountError
        When a rule is broken or the species is not known.
    """
    from fruitcount.plan.fruit_size import diameter_of_code
    from fruitcount.plan.inputs import GrowerInputs
    from fruitcount.species.loader import load_species

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
    from fruitcount.tree.assignment import Naming, read_card_sheet, read_sheet
    from fruitcount.tree.engines import BatchSettings

    cluster = options["cluster"]
    engine = "dask" if cluster is not None else "processes" if options["workers"] > 1 else "serial"
    sheet = read_sheet(options["sheet"]) if options["sheet"] else {}
    cards = read_card_sheet(options["cards"]) if options["cards"] else {}
    return FolderChoice(
        out=options["out"],
        naming=Naming(options["by"], pattern=options["pattern"], sheet=sheet, cards=cards),
        batch=BatchSettings(engine, workers=options["workers"], scheduler=cluster or ""),
        limbs_n=options["limbs_n"],
        pictures=options["pictures"],
        units=options["units"],
        tuning=_learned(options["learned"], options["db"]) if options["learned"] else None,
    )


def _learned(tree: str, db: str | None) -> Tuning:
    """What the corrections of a recorded tree taught."""
    from contextlib import closing

    from fruitcount.calibrate.tuning import tuning_from_record
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
