"""What is told of a tree's limbs: their sizes, hand counts, both sides, and what was learned."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import delete, select

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


def save_limb(store: Store, tree_id: int, *, name: str, **facts: Any) -> int:
    """Add a limb, or change the one of that name on the same tree; returns its number.

    ``facts`` are ``base_diameter_mm``, ``length_mm`` and ``note``; those not given stay.
    """
    for label in facts.keys() & {"base_diameter_mm", "length_mm"}:
        positive(label, facts[label])
    with writing(store) as session:
        must_get(session, TreeRow, tree_id)
        row = one_or_new(session, LimbRow, tree_id=tree_id, name=typed_name(name))
        for field, value in facts.items():
            setattr(row, field, value)
        session.flush()
        return row.id


def load_limbs(store: Store, tree_id: int) -> Sequence[LimbRow]:
    """Limbs of a tree in the order they were added."""
    with reading(store) as session:
        query = select(LimbRow).where(LimbRow.tree_id == tree_id).order_by(LimbRow.id)
        return session.scalars(query).all()


def save_hand_count(store: Store, **count: Any) -> None:
    """Add a limb counted by hand and on its photo.

    Parameters
    ----------
    store : Store
    **count
        ``year``, ``seen_n`` (on the photo) and ``true_n`` (by hand); and ``tree_id`` (None holds
        for all trees), ``limb`` and ``note`` where they are known.
    """
    at_least("seen_n", count["seen_n"], 0)
    at_least("true_n", count["true_n"], 0)
    with writing(store) as session:
        if count.get("tree_id") is not None:
            must_get(session, TreeRow, count["tree_id"])
        session.add(HandCountRow(**count))


def load_hand_counts(store: Store, *, year: int) -> Sequence[HandCountRow]:
    """Hand counts of one year, in the order they were added.

    :func:`fruitcount.tree.hidden.ratio_factor` makes a factor of several.
    """
    query = select(HandCountRow).where(HandCountRow.year == year).order_by(HandCountRow.id)
    with reading(store) as session:
        return session.scalars(query).all()


def hand_limbs(counts: Sequence[HandCountRow]) -> dict[str, float]:
    """Limb name to its count by hand, of one tree's counts whose limb was told."""
    return {c.limb: c.true_n for c in counts if c.limb and c.tree_id is not None}


def delete_hand_counts(store: Store, tree_id: int, *, year: int) -> None:
    """Remove a tree's own hand counts of a year."""
    mine = (HandCountRow.tree_id == tree_id, HandCountRow.year == year)
    with writing(store) as session:
        session.execute(delete(HandCountRow).where(*mine))


def save_side_count(
    store: Store,
    front_photo_id: int,
    back_photo_id: int,
    *,
    both_n: int | None,
    marks: Sequence[Sequence[float]] | None = None,
) -> None:
    """Keep how many fruit were recognised on both photos; None takes what was kept away.

    Parameters
    ----------
    store : Store
    front_photo_id, back_photo_id : int
        Deleting either photo deletes the count with it.
    both_n : int or None
        Replaces what was told of this pair before.
    marks : sequence of four numbers
        Places of those fruit: x and y (px) on the front, then on the back; None where only their
        number was told.

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
        same = (SideCountRow.front_photo_id.in_(here), SideCountRow.back_photo_id.in_(here))
        session.execute(delete(SideCountRow).where(*same))
        if both_n is not None:
            front, back = here
            row = SideCountRow(front_photo_id=front, back_photo_id=back, both_n=both_n)
            row.marks = "" if marks is None else json.dumps([list(each) for each in marks])
            session.add(row)


def load_side_counts(store: Store, tree_id: int) -> dict[frozenset[int], int]:
    """Photo numbers of each pair of a tree, to the fruit recognised on both."""
    return {frozenset(pair): both_n for pair, (both_n, _) in _side_counts(store, tree_id).items()}


def load_side_marks(store: Store, tree_id: int) -> dict[tuple[int, int], list[list[float]]]:
    """Photo numbers of each pair of a tree whose fruit were paired by hand, to their places."""
    told = _side_counts(store, tree_id).items()
    return {pair: json.loads(marks) for pair, (_, marks) in told if marks}


def _side_counts(store: Store, tree_id: int) -> dict[tuple[int, int], tuple[int, str]]:
    query = (
        select(SideCountRow)
        .join(PhotoRow, PhotoRow.id == SideCountRow.front_photo_id)
        .where(PhotoRow.tree_id == tree_id)
        .order_by(SideCountRow.id)
    )
    with reading(store) as session:
        return {
            (row.front_photo_id, row.back_photo_id): (row.both_n, row.marks)
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
