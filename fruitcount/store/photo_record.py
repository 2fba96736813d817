"""A photo's record: what was measured, the user's edits one on another, and the last decision."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any

from sqlalchemy import Text, cast, func, select
from sqlalchemy.orm import Session

from fruitcount.errors import RecordError
from fruitcount.measurement_record import measurement_from_dict, measurement_to_dict, plain
from fruitcount.results import row_values
from fruitcount.store.base import Store, must_get, one_or_new, reading, writing
from fruitcount.store.photos import PhotoPlace
from fruitcount.store.tables import (
    DecisionRow,
    EditRow,
    LimbRow,
    MeasurementRow,
    PhotoRow,
    now_text,
)
from fruitcount.types import Measurement

_AT_ONCE = 500  # photos in one question to the database
# as text: few of a season's measurements have to be read
_MEASURED = select(
    MeasurementRow.photo_id,
    MeasurementRow.settings_key,
    cast(MeasurementRow.body, Text).label("body"),
)


@dataclass(frozen=True, eq=False)
class PhotoRecord:
    """All that is stored of one photo.

    Attributes
    ----------
    photo_id : int
    sha256, file_name : str
    place : PhotoPlace
    measured : str
        Automatic result as it is stored, never changed by hand; empty until
        :func:`save_measurement`.
    settings_key : str
        Which settings it was made with.
    edits : tuple of dict
        The edits in force, oldest first: undone ones are left out.
    revision : int
        Number of the last step; 0 without any.
    inputs, decision : dict or None
        The last decision and the answers it rests on.
    """

    photo_id: int
    sha256: str
    file_name: str
    place: PhotoPlace
    measured: str
    settings_key: str
    edits: tuple[dict[str, Any], ...]
    revision: int
    inputs: dict[str, Any] | None
    decision: dict[str, Any] | None

    @cached_property
    def measurement(self) -> Measurement | None:
        """The automatic result.

        Raises
        ------
        RecordError
            When it is damaged.
        """
        if not self.measured:
            return None
        try:
            return measurement_from_dict(json.loads(self.measured))
        except (ValueError, RecursionError) as error:
            raise RecordError(f"record of photo {self.photo_id} is damaged") from error


def save_measurement(
    store: Store, photo_id: int, *, measurement: Measurement, settings_key: str = ""
) -> None:
    """Keep the automatic result; the same settings replace it, others are kept beside it."""
    body = measurement_to_dict(measurement)
    with writing(store) as session:
        must_get(session, PhotoRow, photo_id)
        made_at = _after_others(session, photo_id)
        row = one_or_new(session, MeasurementRow, photo_id=photo_id, settings_key=settings_key)
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
    store: Store, photo_id: int, *, revision: int, inputs: dict[str, Any], decision: dict[str, Any]
) -> None:
    """Keep a decision, with the answers and the revision it rests on; older ones stay."""
    with writing(store) as session:
        must_get(session, PhotoRow, photo_id)
        told = {"inputs": plain(inputs), "body": plain(decision)}
        session.add(DecisionRow(photo_id=photo_id, revision=revision, **told))


def load_record(store: Store, photo_id: int, *, settings_key: str | None = None) -> PhotoRecord:
    """Read all that is stored of one photo; see :func:`load_records`."""
    return load_records(store, [photo_id], settings_key=settings_key)[0]


def load_records(
    store: Store, photo_ids: Sequence[int], *, settings_key: str | None = None
) -> list[PhotoRecord]:
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
            photos = _by_photo(session, select(PhotoRow), PhotoRow.id, part)
            made_on = (MeasurementRow.made_at, MeasurementRow.id)
            seen = _by_photo(session, _MEASURED, MeasurementRow.photo_id, part, *made_on)
            edits, last = select(EditRow), select(DecisionRow)
            steps = _by_photo(session, edits, EditRow.photo_id, part, EditRow.revision)
            decisions = _by_photo(session, last, DecisionRow.photo_id, part, DecisionRow.id)
            for number in part:
                (row,) = photos.get(number) or [must_get(session, PhotoRow, number)]
                made = [m for m in seen.get(number, ()) if settings_key in (None, m.settings_key)]
                out.append(_record(row, made, steps.get(number, []), decisions.get(number, [])))
    return out


def _by_photo(
    session: Session, query: Any, of: Any, numbers: Sequence[int], *order: Any
) -> dict[int, Any]:
    """Rows that belong to these photos, in order; whole ones where the query is of one table."""
    out: dict[int, Any] = {}
    for row in session.execute(query.where(of.in_(numbers)).order_by(*order)):
        one = row if len(row) > 1 else row[0]
        out.setdefault(getattr(one, of.key), []).append(one)
    return out


def _record(
    row: PhotoRow,
    made: Sequence[Any],
    steps: Sequence[EditRow],
    decisions: Sequence[DecisionRow],
) -> PhotoRecord:
    done, _ = replay_edits(steps)
    last = decisions[-1] if decisions else None
    return PhotoRecord(
        photo_id=row.id,
        sha256=row.sha256,
        file_name=row.file_name,
        place=PhotoPlace(row.tree_id, row.limb_id, row.side, row.moment),
        measured=made[-1].body if made else "",
        settings_key=made[-1].settings_key if made else "",
        edits=tuple(edit for step in done for edit in step.body),
        revision=steps[-1].revision if steps else 0,
        inputs=last.inputs if last else None,
        decision=row_values(last.body) if last else None,
    )


@dataclass(frozen=True)
class PhotoLine:
    """One kept photo, for lists.

    Attributes
    ----------
    key : str
        SHA-256 of the file's bytes: the photo's name in every address.
    name : str
        The file's name, for people only: it never becomes a path.
    number : int
        The photo's number in the records.
    suffix : str
        Ending of its file.
    tree_id, limb_id : int or None
    limb : str
        Name of the limb; empty when not told.
    side : {"", "front", "back"}
    moment : {"", "before", "after"}
    saved_at : str
    inputs, numbers : dict
        Of the last result; empty before the first.
    taken_on : date
        Day that the camera told, else the day it was kept here.
    """

    key: str
    name: str
    number: int
    suffix: str
    tree_id: int | None
    limb_id: int | None
    limb: str
    side: str
    moment: str
    saved_at: str
    inputs: dict[str, Any]
    numbers: dict[str, Any]
    taken_on: date


def list_photos(store: Store, *, tree_id: int | None = None) -> list[PhotoLine]:
    """Every photo (of one tree), in the order they were saved."""
    newest = select(func.max(DecisionRow.id)).group_by(DecisionRow.photo_id)
    taken = select(
        MeasurementRow.photo_id, MeasurementRow.body["photo"]["taken_at"].as_string()
    ).order_by(MeasurementRow.made_at, MeasurementRow.id)
    query = select(PhotoRow).order_by(PhotoRow.id)
    if tree_id is not None:
        query = query.where(PhotoRow.tree_id == tree_id)
    with reading(store) as session:
        results = {
            row.photo_id: row
            for row in session.scalars(select(DecisionRow).where(DecisionRow.id.in_(newest)))
        }
        limbs = {row[0]: row[1] for row in session.execute(select(LimbRow.id, LimbRow.name))}
        days = {row[0]: row[1] for row in session.execute(taken) if row[1]}
        return [
            _line(row, results.get(row.id), limbs.get(row.limb_id or 0, ""), days.get(row.id))
            for row in session.scalars(query)
        ]


def _line(row: PhotoRow, result: DecisionRow | None, limb: str, taken_at: str | None) -> PhotoLine:
    same = ("suffix", "tree_id", "limb_id", "side", "moment", "saved_at")
    return PhotoLine(
        key=row.sha256,
        name=row.file_name,
        number=row.id,
        limb=limb,
        inputs=dict(result.inputs) if result else {},
        numbers=row_values(result.body) if result else {},
        taken_on=date.fromisoformat((taken_at or row.saved_at)[:10]),
        **{field: getattr(row, field) for field in same},
    )
