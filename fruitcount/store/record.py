"""A counted photo kept in the records with its result, and whose photo it is."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import date
from pathlib import Path

from fruitcount.months import season_year
from fruitcount.pipeline import Result
from fruitcount.plan import GrowerInputs
from fruitcount.results import result_row
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.base import Store
from fruitcount.store.orchard import load_limbs, save_limb, save_tree, tree_id_of
from fruitcount.store.photos import PhotoPlace, save_photo
from fruitcount.store.sheets import load_sheet, save_decision, save_measurement

__all__ = ["record_count"]


def record_count(
    store: Store, photo: str | Path, result: Result, *, tree: str = "", limb: str = "",
    side: str = "", moment: str = "",
) -> int:  # fmt: skip
    """Keep a photo and its count; the season, the screen and the tree then know it.

    Parameters
    ----------
    store : Store
    photo : str or Path
    result : Result
        Of that photo. Where the records have its automatic result already, that one stays:
        corrections rest on it.
    tree, limb : str
        Names; made if they are new. Without a tree, the photo belongs to none.
    side : {"", "front", "back"}
    moment : {"", "before", "after"}

    Returns
    -------
    int
        The photo's number.
    """
    inputs, measurement = result.decision.inputs, result.measurement
    tree_id, limb_id = None, None
    if tree:
        tree_id = tree_id_of(store, tree)
        if tree_id is None:
            day = measurement.taken_at.date() if measurement.taken_at else date.today()
            new = OrchardTree(
                tree, inputs.species, ripening_month=inputs.ripening_month, southern=inputs.southern
            )
            tree_id = save_tree(store, new, year=season_year(day, southern=inputs.southern))
    if tree_id is not None and limb:
        known = {one.name: one.limb_id for one in load_limbs(store, tree_id)}
        limb_id = known.get(limb) or save_limb(store, tree_id, name=limb)
    place = PhotoPlace(tree_id, limb_id, side, moment)
    number = save_photo(store, Path(photo), place=place if tree else None)
    sheet = load_sheet(store, number)
    if sheet.measurement is None:
        measurement = replace(measurement, sha256=sheet.sha256)
        save_measurement(store, number, measurement=measurement, settings_key="screen")
    if not sheet.revision:
        told = {f.name: getattr(inputs, f.name) for f in fields(GrowerInputs)}
        usual = GrowerInputs(species="")
        told = {name: v for name, v in told.items() if v != getattr(usual, name)}
        save_decision(store, number, revision=0, inputs=told, decision=result_row(result).values())
    return number
