"""What is told of a tree's limbs: their sizes, hand counts, both sides, and what was learned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import select

from fruitcount.errors import BadInputError, at_least, positive
from fruitcount.files import typed_name
from fruitcount.measurement_record import plain
from fruitcount.store.base import Store, must_get, one_or_new, reading, writing
from fruitcount.store.tables import (
    HandCountRow,
    LimbRow,
    PhotoRow,
    SideCountRow,
    TreeRow,
    TuningRow,
    now_text,
)


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
        must_get(session, TreeRow, tree_id)
        row = one_or_new(session, LimbRow, tree_id=tree_id, name=name)
        row.base_diameter_mm, row.length_mm, row.note = base_diameter_mm, length_mm, note
        session.flush()
        return row.id


def load_limbs(store: Store, tree_id: int) -> Sequence[LimbRow]:
    """Limbs of a tree in the order they were added."""
    with reading(store) as session:
        query = select(LimbRow).where(LimbRow.tree_id == tree_id).order_by(LimbRow.id)
        return session.scalars(query).all()


def limb_named(store: Store, tree_id: int, name: str) -> int:
    """Number of a tree's limb of that name; it is made if it is new."""
    name = typed_name(name)
    known = {one.name: one.id for one in load_limbs(store, tree_id)}
    return known.get(name) or save_limb(store, tree_id, name=name)


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
        if count.tree_id is not None:
            must_get(session, TreeRow, count.tree_id)
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


def hand_limbs(counts: Sequence[HandCount]) -> dict[str, float]:
    """Limb name to its count by hand, of one tree's counts whose limb was told."""
    return {c.limb: c.true_n for c in counts if c.limb and c.tree_id is not None}


def delete_hand_counts(store: Store, tree_id: int, *, year: int) -> int:
    """Remove a tree's own hand counts of a year; returns how many there were."""
    with writing(store) as session:
        rows = session.scalars(
            select(HandCountRow).where(HandCountRow.tree_id == tree_id, HandCountRow.year == year)
        ).all()
        for row in rows:
            session.delete(row)
        return len(rows)


def save_side_count(
    store: Store, front_photo_id: int, back_photo_id: int, *, both_n: int | None
) -> None:
    """Keep how many fruit were recognised on both photos; None takes what was kept away.

    Parameters
    ----------
    store : Store
    front_photo_id, back_photo_id : int
        Deleting either photo deletes the count with it.
    both_n : int or None
        Replaces what was told of this pair before.

    Raises
    ------
    BadInputError
        When it is below 0, or both are one photo.
    RecordError
        When there is no such photo.
    """
    if front_photo_id == back_photo_id:
        raise BadInputError(f"front and back must be two photos, got {front_photo_id} twice")
    if both_n is not None:
        at_least("both_n", both_n, 0)
    here = (front_photo_id, back_photo_id)
    with writing(store) as session:
        for number in here:
            must_get(session, PhotoRow, number)
        # the same two, the other way round: the sides were told again meanwhile
        for row in session.scalars(
            select(SideCountRow).where(
                SideCountRow.front_photo_id.in_(here), SideCountRow.back_photo_id.in_(here)
            )
        ):
            session.delete(row)
        session.flush()
        if both_n is not None:
            front, back = here
            session.add(SideCountRow(front_photo_id=front, back_photo_id=back, both_n=both_n))


def load_side_counts(store: Store, tree_id: int) -> dict[frozenset[int], int]:
    """Photo numbers of each pair of a tree, to the fruit recognised on both."""
    query = (
        select(SideCountRow)
        .join(PhotoRow, PhotoRow.id == SideCountRow.front_photo_id)
        .where(PhotoRow.tree_id == tree_id)
        .order_by(SideCountRow.id)
    )
    with reading(store) as session:
        return {
            frozenset((row.front_photo_id, row.back_photo_id)): row.both_n
            for row in session.scalars(query)
        }


def save_tuning(store: Store, tree_id: int, body: dict[str, Any]) -> int:
    """Put a tuning in force for a tree; an earlier one ends. Returns its number."""
    with writing(store) as session:
        must_get(session, TreeRow, tree_id)
        for row in session.scalars(_in_force(tree_id)):
            row.ended_at = now_text()
        new = TuningRow(tree_id=tree_id, body=plain(body))
        session.add(new)
        session.flush()
        return new.id


def end_tuning(store: Store, tree_id: int) -> None:
    """Take a tree's tuning back; its row stays, with the time it ended."""
    with writing(store) as session:
        for row in session.scalars(_in_force(tree_id)):
            row.ended_at = now_text()


def load_tuning(store: Store, tree_id: int) -> TuningRow | None:
    """The tuning that the user accepted for a tree and that is in force, or None.

    Its ``body`` says what it changes and what it was worth; see
    ``fruitcount.calibrate.Proposal.record``.
    """
    with reading(store) as session:
        query = _in_force(tree_id).order_by(TuningRow.id.desc()).limit(1)
        row: TuningRow | None = session.scalar(query)
        return row


def _in_force(tree_id: int) -> Any:
    return select(TuningRow).where(TuningRow.tree_id == tree_id, TuningRow.ended_at == "")
