"""A photo's sheet: what was seen, the user's edits one on another, and the last decision.

Edits are only ever added. Undo and redo are rows too, so that the history survives a reload and
shows what happened. Every writer says which revision it started from; if another came first,
nothing is written and :class:`RevisionConflictError` names the revision that is stored.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from fruitcount.errors import BadInputError, RecordError
from fruitcount.measurement_record import measurement_from_dict, measurement_to_dict, plain
from fruitcount.results import row_values
from fruitcount.store.base import RevisionConflictError, Store, reading, writing
from fruitcount.store.photos import PhotoPlace, must_get
from fruitcount.store.tables import DecisionRow, EditRow, MeasurementRow, PhotoRow, now_text
from fruitcount.types import Measurement

__all__ = [
    "Sheet",
    "append_edits",
    "list_photos",
    "load_sheet",
    "load_sheets",
    "redo",
    "replay_edits",
    "save_decision",
    "save_measurement",
    "undo",
]


_AT_ONCE = 500  # photos in one question to the database


@dataclass(frozen=True, eq=False)
class Sheet:
    """All that is stored of one photo.

    Attributes
    ----------
    photo_id : int
    sha256, file_name : str
    place : PhotoPlace
    seen : Measurement or None
        Automatic result, never changed by hand; None until :func:`save_measurement`.
    settings_key : str
        Which settings it was made with.
    edits : tuple of dict
        The edits in force, oldest first: undone ones are left out.
    revision : int
        Number of the last step; 0 without any. Give it as ``base_revision`` with the next edit.
    can_undo, can_redo : bool
    inputs, decision : dict or None
        The last decision and the answers it rests on.
    decision_revision : int
        Revision the decision was made at; -1 without one. Lower than ``revision`` means that it
        is out of date.
    """

    photo_id: int
    sha256: str
    file_name: str
    place: PhotoPlace
    measurement: Measurement | None
    settings_key: str
    edits: tuple[dict[str, Any], ...]
    revision: int
    can_undo: bool
    can_redo: bool
    inputs: dict[str, Any] | None
    decision: dict[str, Any] | None
    decision_revision: int


def save_measurement(
    store: Store, photo_id: int, *, measurement: Measurement, settings_key: str = ""
) -> None:
    """Keep the automatic result; the same settings replace it, others are kept beside it."""
    body = measurement_to_dict(measurement)
    with writing(store) as session:
        must_get(session.get(PhotoRow, photo_id), store, photo_id)
        row = session.scalar(
            select(MeasurementRow).where(
                MeasurementRow.photo_id == photo_id, MeasurementRow.settings_key == settings_key
            )
        )
        made_at = _after_others(session, photo_id)
        if row is None:
            row = MeasurementRow(photo_id=photo_id, settings_key=settings_key)
            session.add(row)
        row.body, row.made_at = body, made_at


def _after_others(session: Session, photo_id: int) -> str:
    """The time now; later than that of the photo's other results even if the clock went back."""
    last = session.scalar(
        select(func.max(MeasurementRow.made_at)).where(MeasurementRow.photo_id == photo_id)
    )
    now = now_text()
    if last is None or last < now:
        return now
    return (datetime.fromisoformat(last) + timedelta(seconds=1)).isoformat(timespec="seconds")


def append_edits(
    store: Store, photo_id: int, *, base_revision: int, edits: Sequence[dict[str, Any]]
) -> int:
    """Add one step of edits.

    Parameters
    ----------
    store : Store
    photo_id : int
    base_revision : int
        Revision the user was looking at.
    edits : sequence of dict
        JSON objects; undo takes them back together. What is in them is the screen's affair.

    Returns
    -------
    int
        The new revision.

    Raises
    ------
    RevisionConflictError
        When ``base_revision`` is not the stored one.
    BadInputError
        When there are no edits or one cannot be written as JSON.
    """
    if not edits or not all(isinstance(e, dict) for e in edits):
        raise BadInputError(f"edits must be a list of at least one object, got {edits!r}")
    try:
        body = json.loads(json.dumps(plain(list(edits)), allow_nan=False))
    except (TypeError, ValueError) as error:
        raise BadInputError(f"edits must be plain JSON values: {error}") from error
    return _append(store, photo_id, base_revision, ("edit", body))


def undo(store: Store, photo_id: int, *, base_revision: int) -> int:
    """Take the last step back; returns the new revision, the same one if there is nothing."""
    return _append(store, photo_id, base_revision, ("undo", []))


def redo(store: Store, photo_id: int, *, base_revision: int) -> int:
    """Do again what was undone last; returns the new revision, the same one if there is none."""
    return _append(store, photo_id, base_revision, ("redo", []))


def _append(
    store: Store, photo_id: int, base_revision: int, step: tuple[str, list[dict[str, Any]]]
) -> int:
    kind, body = step
    with writing(store) as session:
        # the row lock makes two writers on a server wait; SQLite holds the whole file anyway
        row = session.scalar(select(PhotoRow).where(PhotoRow.id == photo_id).with_for_update())
        must_get(row, store, photo_id)
        steps = _steps(session, photo_id)
        now = steps[-1].revision if steps else 0
        if now != base_revision:
            raise RevisionConflictError(
                f"{store.name}: photo {photo_id} is at revision {now}, the edit was made on "
                f"{base_revision}: load it again",
                now,
            )
        done, undone = replay_edits(steps)
        if (kind == "undo" and not done) or (kind == "redo" and not undone):
            return now
        session.add(EditRow(photo_id=photo_id, revision=now + 1, kind=kind, body=body))
        try:
            session.flush()
        except IntegrityError as error:
            raise RevisionConflictError(
                f"{store.name}: photo {photo_id} was changed by another: load it again", now + 1
            ) from error
        return now + 1


def _steps(session: Session, photo_id: int) -> list[EditRow]:
    rows = session.scalars(
        select(EditRow).where(EditRow.photo_id == photo_id).order_by(EditRow.revision)
    )
    return list(rows)


def replay_edits(steps: Sequence[EditRow]) -> tuple[list[EditRow], list[EditRow]]:
    """Steps in force, and steps undone that could be done again, from the whole history."""
    done: list[EditRow] = []
    undone: list[EditRow] = []
    for step in steps:
        if step.kind == "undo" and done:
            undone.append(done.pop())
        elif step.kind == "redo" and undone:
            done.append(undone.pop())
        elif step.kind == "edit":
            done.append(step)
            undone.clear()
        else:
            raise RecordError(
                f"edits of photo {step.photo_id} are damaged at revision {step.revision}"
            )
    return done, undone


def save_decision(
    store: Store,
    photo_id: int,
    *,
    revision: int,
    inputs: dict[str, Any],
    decision: dict[str, Any],
) -> None:
    """Keep a decision, with the answers and the revision it rests on; older ones stay."""
    with writing(store) as session:
        must_get(session.get(PhotoRow, photo_id), store, photo_id)
        session.add(
            DecisionRow(
                photo_id=photo_id, revision=revision, inputs=plain(inputs), body=plain(decision)
            )
        )


def load_sheet(store: Store, photo_id: int, *, settings_key: str | None = None) -> Sheet:
    """Read all that is stored of one photo; see :func:`load_sheets`."""
    return load_sheets(store, [photo_id], settings_key=settings_key)[0]


def load_sheets(
    store: Store, photo_ids: Sequence[int], *, settings_key: str | None = None
) -> list[Sheet]:
    """Read all that is stored of some photos, in their order.

    Parameters
    ----------
    store : Store
    photo_ids : sequence of int
    settings_key : str, optional
        Which automatic result; default the one made last.

    Raises
    ------
    RecordError
        When there is no such photo or its record is damaged.
    """
    out = []
    with reading(store) as session:
        for k in range(0, len(photo_ids), _AT_ONCE):
            part = photo_ids[k : k + _AT_ONCE]
            photos = _by_photo(session, PhotoRow.id, part, PhotoRow.id)
            seen = _by_photo(
                session, MeasurementRow.photo_id, part, MeasurementRow.made_at, MeasurementRow.id
            )
            steps = _by_photo(session, EditRow.photo_id, part, EditRow.revision)
            decisions = _by_photo(session, DecisionRow.photo_id, part, DecisionRow.id)
            for number in part:
                row = must_get(next(iter(photos.get(number, ())), None), store, number)
                made = [m for m in seen.get(number, ()) if settings_key in (None, m.settings_key)]
                out.append(_sheet(row, made, steps.get(number, []), decisions.get(number, [])))
    return out


def _by_photo(session: Session, of: Any, numbers: Sequence[int], *order: Any) -> dict[int, Any]:
    """Rows of a table that belong to these photos, in order."""
    out: dict[int, Any] = {}
    for row in session.scalars(select(of.class_).where(of.in_(numbers)).order_by(*order)):
        out.setdefault(getattr(row, of.key), []).append(row)
    return out


def _sheet(
    row: PhotoRow,
    made: Sequence[MeasurementRow],
    steps: Sequence[EditRow],
    decisions: Sequence[DecisionRow],
) -> Sheet:
    done, undone = replay_edits(steps)
    last = decisions[-1] if decisions else None
    return Sheet(
        photo_id=row.id,
        sha256=row.sha256,
        file_name=row.file_name,
        place=PhotoPlace(row.tree_id, row.limb_id, row.side, row.moment),
        measurement=measurement_from_dict(made[-1].body) if made else None,
        settings_key=made[-1].settings_key if made else "",
        edits=tuple(edit for step in done for edit in step.body),
        revision=steps[-1].revision if steps else 0,
        can_undo=bool(done),
        can_redo=bool(undone),
        inputs=last.inputs if last else None,
        decision=row_values(last.body) if last else None,
        decision_revision=last.revision if last else -1,
    )


def list_photos(store: Store, *, tree_id: int | None = None) -> list[dict[str, Any]]:
    """One line a photo, in the order they were saved.

    ``taken_on`` is the day that the camera told, else the day the photo was kept.

    Parameters
    ----------
    store : Store
    tree_id : int, optional
        Only this tree's.
    """
    revision = (
        select(func.max(EditRow.revision)).where(EditRow.photo_id == PhotoRow.id).scalar_subquery()
    )
    query = select(PhotoRow, revision).order_by(PhotoRow.id)
    taken = select(
        MeasurementRow.photo_id, MeasurementRow.body["photo"]["taken_at"].as_string()
    ).order_by(MeasurementRow.made_at, MeasurementRow.id)
    if tree_id is not None:
        query = query.where(PhotoRow.tree_id == tree_id)
        taken = taken.join(PhotoRow).where(PhotoRow.tree_id == tree_id)
    with reading(store) as session:
        days = {row[0]: row[1] for row in session.execute(taken) if row[1]}
        return [
            {
                "photo_id": p.id,
                "sha256": p.sha256,
                "suffix": p.suffix,
                "file_name": p.file_name,
                "tree_id": p.tree_id,
                "limb_id": p.limb_id,
                "side": p.side,
                "moment": p.moment,
                "saved_at": p.saved_at,
                "taken_on": date.fromisoformat((days.get(p.id) or p.saved_at)[:10]),
                "revision": r or 0,
            }
            for p, r in session.execute(query)
        ]
