"""Trees, limbs and seasons in the records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date
from statistics import median
from typing import Any

from sqlalchemy import select, text
from sqlalchemy.orm import Session

from fruitcount.checks import at_least, positive
from fruitcount.errors import BadInputError, RecordError
from fruitcount.months import season_year
from fruitcount.season.orchard import OrchardTree, SeasonFacts, name_order
from fruitcount.store.base import Store, reading, writing
from fruitcount.store.photos import file_of, remove_file, scrub
from fruitcount.store.tables import DecisionRow, HandCountRow, LimbRow, PhotoRow, SeasonRow, TreeRow

__all__ = [
    "HandCount",
    "StoredLimb",
    "delete_hand_counts",
    "delete_limb",
    "delete_tree",
    "load_hand_counts",
    "load_limbs",
    "load_trees",
    "save_hand_count",
    "save_limb",
    "save_season_facts",
    "save_tree",
    "season_history",
    "tree_id_of",
]

_TREE = (
    "name", "species", "variety", "block", "rootstock", "note", "planted_year",
    "trunk_circumference_mm", "ripening_month", "southern", "harvest_days",
)  # fmt: skip
_SEASON = ("bloom_date", "first_pass_on", "second_pass_on", "leave_it", "size_mm")
_FACTS = ("fruit_before_n", "fruit_after_n", "harvest_kg", "fruit_g", "note")


@dataclass(frozen=True)
class StoredLimb:
    """A limb as stored.

    Attributes
    ----------
    limb_id, tree_id : int
    name : str
        Unique on its tree.
    base_diameter_mm, length_mm : float or None
    note : str
    """

    limb_id: int
    tree_id: int
    name: str
    base_diameter_mm: float | None = None
    length_mm: float | None = None
    note: str = ""


@dataclass(frozen=True)
class HandCount:
    """A limb counted by hand and on its photo.

    Attributes
    ----------
    year : int
    seen_n, true_n : float
        On the photo, and by hand.
    tree_id : int or None
    limb, note : str
    """

    year: int
    seen_n: float
    true_n: float
    tree_id: int | None = None
    limb: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        at_least("seen_n", self.seen_n, 0)
        at_least("true_n", self.true_n, 0)


def save_hand_count(store: Store, count: HandCount) -> None:
    """Add a hand count; :func:`fruitcount.tree.seen_to_true` makes a factor of several."""
    with writing(store) as session:
        if count.tree_id is not None and session.get(TreeRow, count.tree_id) is None:
            raise RecordError(f"{store.name}: there is no tree number {count.tree_id}")
        session.add(HandCountRow(**asdict(count)))


def load_hand_counts(store: Store, *, year: int | None = None) -> list[HandCount]:
    """Hand counts of one year or of all, in the order they were added.

    A factor of one season need not hold in the next (Koirala, Walsh & Wang 2021).
    """
    query = select(HandCountRow).order_by(HandCountRow.id)
    if year is not None:
        query = query.where(HandCountRow.year == year)
    with reading(store) as session:
        return [
            HandCount(r.year, r.seen_n, r.true_n, r.tree_id, r.limb, r.note)
            for r in session.scalars(query)
        ]


def delete_hand_counts(store: Store, tree_id: int, *, year: int) -> int:
    """Remove a tree's own hand counts of a year; returns how many there were."""
    with writing(store) as session:
        rows = session.scalars(
            select(HandCountRow).where(HandCountRow.tree_id == tree_id, HandCountRow.year == year)
        ).all()
        for row in rows:
            session.delete(row)
        return len(rows)


def save_tree(store: Store, tree: OrchardTree, *, year: int) -> int:
    """Add a tree, or change the one of that name; what is of one season goes under ``year``."""
    with writing(store) as session:
        row = session.scalar(select(TreeRow).where(TreeRow.name == tree.name))
        if row is None:
            row = TreeRow(name=tree.name)
            session.add(row)
        for field in _TREE:
            setattr(row, field, getattr(tree, field))
        session.flush()
        season = _season(session, row.id, year)
        for field in _SEASON:
            setattr(season, field, getattr(tree, field))
        return row.id


def _season(session: Session, tree_id: int, year: int) -> SeasonRow:
    row = session.scalar(
        select(SeasonRow).where(SeasonRow.tree_id == tree_id, SeasonRow.year == year)
    )
    if row is None:
        row = SeasonRow(tree_id=tree_id, year=year)
        session.add(row)
    return row


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
            trees.append(_as_tree(facts))
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


def _as_tree(facts: dict[str, Any]) -> OrchardTree:
    try:
        return OrchardTree(**facts)
    except (BadInputError, TypeError, ValueError) as error:
        raise RecordError(f"record of tree {facts['name']!r} is damaged: {error}") from error


def tree_id_of(store: Store, name: str) -> int | None:
    """Number of the tree of that name."""
    with reading(store) as session:
        return session.scalar(select(TreeRow.id).where(TreeRow.name == name))


def save_limb(
    store: Store,
    tree_id: int,
    *,
    name: str,
    base_diameter_mm: float | None = None,
    length_mm: float | None = None,
    note: str = "",
) -> int:
    """Add a limb, or change the one of that name on the same tree."""
    for label, value in (("base_diameter_mm", base_diameter_mm), ("length_mm", length_mm)):
        if value is not None:
            positive(label, value)
    with writing(store) as session:
        if session.get(TreeRow, tree_id) is None:
            raise RecordError(f"{store.name}: there is no tree number {tree_id}")
        row = session.scalar(
            select(LimbRow).where(LimbRow.tree_id == tree_id, LimbRow.name == name)
        )
        if row is None:
            row = LimbRow(tree_id=tree_id, name=name)
            session.add(row)
        row.base_diameter_mm, row.length_mm, row.note = base_diameter_mm, length_mm, note
        session.flush()
        return row.id


def load_limbs(store: Store, tree_id: int) -> list[StoredLimb]:
    """Limbs of a tree in the order they were added."""
    with reading(store) as session:
        rows = session.scalars(
            select(LimbRow).where(LimbRow.tree_id == tree_id).order_by(LimbRow.id)
        )
        return [
            StoredLimb(r.id, r.tree_id, r.name, r.base_diameter_mm, r.length_mm, r.note)
            for r in rows
        ]


def save_season_facts(store: Store, tree_id: int, *, facts: SeasonFacts) -> None:
    """Write a season's counts and harvest; None leaves what is there."""
    with writing(store) as session:
        if session.get(TreeRow, tree_id) is None:
            raise RecordError(f"{store.name}: there is no tree number {tree_id}")
        row = _season(session, tree_id, facts.year)
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
    _delete(store, TreeRow, tree_id)


def delete_limb(store: Store, limb_id: int) -> None:
    """Remove a limb with its photos, edits and photo files, for good."""
    _delete(store, LimbRow, limb_id)


def _delete(store: Store, table: type[TreeRow] | type[LimbRow], row_id: int) -> None:
    with writing(store) as session:
        row = session.get(table, row_id)
        if row is None:
            raise RecordError(f"{store.name}: there is no {table.__tablename__} number {row_id}")
        query = select(PhotoRow)
        if isinstance(row, TreeRow):
            limbs = select(LimbRow.id).where(LimbRow.tree_id == row_id)
            query = query.where((PhotoRow.tree_id == row_id) | PhotoRow.limb_id.in_(limbs))
        else:
            query = query.where(PhotoRow.limb_id == row_id)
        files = []
        for photo in session.scalars(query):
            files.append(file_of(store, photo.sha256, photo.suffix))
            session.execute(text("DELETE FROM batch_row WHERE sha256 = :s"), {"s": photo.sha256})
            session.delete(photo)
        session.flush()
        session.delete(row)
    for path in files:
        remove_file(path)
    scrub(store)
