"""What the corrections on a tree taught: kept with the tree, in force until it is taken back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import select

from fruitcount.errors import RecordError
from fruitcount.measurement_record import plain
from fruitcount.store.base import Store, reading, writing
from fruitcount.store.tables import TreeRow, TuningRow, now_text

__all__ = ["StoredTuning", "end_tuning", "load_tuning", "save_tuning"]


@dataclass(frozen=True)
class StoredTuning:
    """A tuning that a user accepted for a tree.

    Attributes
    ----------
    tuning_id, tree_id : int
    body : dict
        What it changes and what it was worth; see ``fruitcount.calibrate.learn.Proposal.record``.
    accepted_at : str
    """

    tuning_id: int
    tree_id: int
    body: dict[str, Any]
    accepted_at: str


def save_tuning(store: Store, tree_id: int, body: dict[str, Any]) -> int:
    """Put a tuning in force for a tree; an earlier one ends. Returns its number."""
    with writing(store) as session:
        if session.get(TreeRow, tree_id) is None:
            raise RecordError(f"{store.name}: there is no tree number {tree_id}")
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


def load_tuning(store: Store, tree_id: int) -> StoredTuning | None:
    """The tuning in force for a tree, or None."""
    with reading(store) as session:
        row = session.scalar(_in_force(tree_id).order_by(TuningRow.id.desc()).limit(1))
        return StoredTuning(row.id, row.tree_id, dict(row.body), row.accepted_at) if row else None


def _in_force(tree_id: int) -> Any:
    return select(TuningRow).where(TuningRow.tree_id == tree_id, TuningRow.ended_at == "")
