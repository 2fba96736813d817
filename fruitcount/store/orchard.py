"""Trees, limbs and seasons in the records."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from statistics import median
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from fruitcount.errors import RecordError, broken_as
from fruitcount.files import typed_name
from fruitcount.season.orchard import OrchardTree, SeasonFacts, name_order
from fruitcount.store.base import Store, must_get, one_or_new, reading, writing
from fruitcount.store.photos import file_of, remove_file, scrub
from fruitcount.store.tables import DecisionRow, LimbRow, PhotoRow, SeasonRow, TreeRow
from fruitcount.units import season_year

_TREE = (
    "name", "species", "variety", "block", "rootstock", "note", "planted_year",
    "trunk_circumference_mm", "ripening_month", "southern", "harvest_days",
)  # fmt: skip
_SEASON = ("bloom_date", "first_pass_on", "second_pass_on", "leave_it", "size_mm")
_FACTS = ("fruit_before_n", "fruit_after_n", "harvest_kg", "fruit_g", "note")


def save_tree(store: Store, tree: OrchardTree, *, year: int) -> int:
    """Add a tree, or change the one of that name; what is of one season goes under ``year``."""
    number = tree_id_of(store, tree.name)
    with writing(store) as session:
        row = one_or_new(session, TreeRow, **({"id": number} if number else {"name": tree.name}))
        for field in _TREE:
            setattr(row, field, getattr(tree, field))
        session.flush()
        season = one_or_new(session, SeasonRow, tree_id=row.id, year=year)
        for field in _SEASON:
            setattr(season, field, getattr(tree, field))
        return row.id


def load_trees(
    store: Store, *, year: int | None = None, day: date | None = None
) -> list[OrchardTree]:
    """All trees as they are in one season, by block and name.

    Species, ripening month and hemisphere that a tree does not tell are those last said of one
    of its photos.

    Parameters
    ----------
    store : Store
    year : int, optional
        The season, named by the year of its bloom.
    day : date, optional
        Without a year, each tree's season is the one that this day lies in in its hemisphere;
        default today.
    """
    now = day or date.today()
    years = (now.year, now.year - 1) if year is None else (year,)
    with reading(store) as session:
        rows = session.scalars(select(TreeRow)).all()
        known = select(SeasonRow).where(SeasonRow.year.in_(years))
        seasons = {(s.tree_id, s.year): s for s in session.scalars(known)}
        said, sizes = _said_of_photos(session), _sizes_of_photos(session)
        trees = []
        for row in rows:
            facts = {field: getattr(row, field) for field in _TREE}
            facts |= {k: v for k, v in said.get(row.id, {}).items() if not facts[k]}
            of = season_year(now, southern=facts["southern"]) if year is None else year
            if (season := seasons.get((row.id, of))) is not None:
                facts |= {field: getattr(season, field) for field in _SEASON}
            facts |= _last_size(sizes.get(row.id, []), of, southern=facts["southern"])
            with broken_as(RecordError, f"record of tree {facts['name']!r} is damaged"):
                trees.append(OrchardTree(**facts))
    # sorted here, because databases order capital letters each in their own way
    return sorted(trees, key=lambda t: (name_order(t.block), name_order(t.name)))


def _said_of_photos(session: Session) -> dict[int, dict[str, Any]]:
    """What was said of the photos of trees that do not tell their species or month themselves."""
    query = (
        select(PhotoRow.tree_id, DecisionRow.inputs)
        .join(DecisionRow, DecisionRow.photo_id == PhotoRow.id)
        .join(TreeRow, TreeRow.id == PhotoRow.tree_id)
        .where((TreeRow.species == "") | TreeRow.ripening_month.is_(None))
        .order_by(DecisionRow.id)
    )
    out: dict[int, dict[str, Any]] = {}
    for tree_id, inputs in session.execute(query):
        told = {k: inputs.get(k) for k in ("species", "ripening_month", "southern")}
        out.setdefault(tree_id, {}).update({k: v for k, v in told.items() if v})
    return out


def _sizes_of_photos(session: Session) -> dict[int, list[tuple[date, float]]]:
    """Day and median fruit size of each tree's counted photos, before thinning."""
    body = DecisionRow.body
    query = (
        select(PhotoRow.id, PhotoRow.tree_id, PhotoRow.saved_at, body["taken_at"].as_string(),
               body["median_size_mm"].as_float())
        .join(DecisionRow, DecisionRow.photo_id == PhotoRow.id)
        .where(PhotoRow.tree_id.is_not(None), PhotoRow.moment != "after")
        .order_by(DecisionRow.id)
    )  # fmt: skip
    newest = {row[0]: row[1:] for row in session.execute(query)}
    out: dict[int, list[tuple[date, float]]] = {}
    for tree_id, saved_at, taken_at, size_mm in newest.values():
        if size_mm:
            day = date.fromisoformat((taken_at or saved_at)[:10])
            out.setdefault(tree_id, []).append((day, size_mm))
    return out


def _last_size(
    sizes: Sequence[tuple[date, float]], year: int, *, southern: bool
) -> dict[str, date | float]:
    """Median size on the last day in that season on which the tree was photographed."""
    mine = [(day, mm) for day, mm in sizes if season_year(day, southern=southern) == year]
    if not mine:
        return {}
    last = max(day for day, _ in mine)
    return {"photos_on": last, "photos_mm": median(mm for day, mm in mine if day == last)}


def tree_numbers(store: Store) -> dict[str, int]:
    """Numbers of the trees by name."""
    with reading(store) as session:  # records of earlier versions have names as they were typed
        rows = session.execute(select(TreeRow.name, TreeRow.id).order_by(TreeRow.name))
        return {typed_name(name): number for name, number in rows}


def tree_id_of(store: Store, name: str) -> int | None:
    """Number of the tree of that name."""
    return tree_numbers(store).get(typed_name(name))


def save_season_facts(store: Store, tree_id: int, *, facts: SeasonFacts) -> None:
    """Write a season's counts and harvest; None leaves what is there."""
    with writing(store) as session:
        must_get(session, TreeRow, tree_id)
        row = one_or_new(session, SeasonRow, tree_id=tree_id, year=facts.year)
        for field in _FACTS:
            value = getattr(facts, field)
            if value is not None and value != "":
                setattr(row, field, value)


def season_history(store: Store, tree_id: int) -> list[SeasonFacts]:
    """All recorded seasons of a tree, oldest first."""
    with reading(store) as session:
        rows = session.scalars(
            select(SeasonRow).where(SeasonRow.tree_id == tree_id).order_by(SeasonRow.year)
        )
        return [SeasonFacts(r.year, **{f: getattr(r, f) for f in _FACTS}) for r in rows]


def delete_tree(store: Store, tree_id: int) -> None:
    """Remove a tree with its limbs, seasons, photos, edits and photo files, for good."""
    with writing(store) as session:
        row = must_get(session, TreeRow, tree_id)
        limbs = select(LimbRow.id).where(LimbRow.tree_id == tree_id)
        query = select(PhotoRow).where((PhotoRow.tree_id == tree_id) | PhotoRow.limb_id.in_(limbs))
        files = []
        for photo in session.scalars(query):
            files.append(file_of(store, photo.sha256, photo.suffix))
            session.delete(photo)
        session.flush()
        session.delete(row)
    for path in files:
        remove_file(path)
    scrub(store)
