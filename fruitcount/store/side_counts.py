"""Fruit recognised as the same on the photos of a limb's two sides."""

from __future__ import annotations

from sqlalchemy import select

from fruitcount.checks import at_least
from fruitcount.errors import BadInputError
from fruitcount.store.base import Store, reading, writing
from fruitcount.store.photos import must_get
from fruitcount.store.tables import PhotoRow, SideCountRow

__all__ = ["load_side_counts", "save_side_count"]


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
            must_get(session.get(PhotoRow, number), store, number)
        # the same two, the other way round: the sides were told again meanwhile
        for row in session.scalars(
            select(SideCountRow).where(
                SideCountRow.front_photo_id.in_(here), SideCountRow.back_photo_id.in_(here)
            )
        ):
            session.delete(row)
        session.flush()
        if both_n is not None:
            session.add(
                SideCountRow(
                    front_photo_id=front_photo_id, back_photo_id=back_photo_id, both_n=both_n
                )
            )


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
