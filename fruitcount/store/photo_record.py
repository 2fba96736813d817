"""A photo's record: what was measured, the user's edits one on another, and the last decision."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any

from sqlalchemy import Text, cast, func, select, true
from sqlalchemy.orm import Session

from fruitcount.errors import RecordError, broken_as
from fruitcount.measurement_record import measurement_from_dict, measurement_to_dict, plain
from fruitcount.results import row_values
from fruitcount.store.base import Store, must_get, one_or_new, reading, writing
from fruitcount.store.tables import DecisionRow, EditRow, LimbRow, MeasurementRow, PhotoRow
from fruitcount.types import Measurement


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


@dataclass(frozen=True, eq=False)
class PhotoRecord(PhotoLine):
    """All that is stored of one photo.

    Attributes
    ----------
    measured : str
        Automatic result as it is stored, never changed by hand; empty until
        :func:`save_measurement`.
    edits : tuple of dict
        The edits in force, oldest first: undone ones are left out.
    revision : int
        Number of the last step; 0 without any.
    """

    measured: str
    edits: tuple[dict[str, Any], ...]
    revision: int

    @cached_property
    def measurement(self) -> Measurement | None:
        """The automatic result.

        Raises
        ------
        RecordError
            When it is damaged.
        """
        with broken_as(RecordError, f"record of photo {self.number} is damaged"):
            return measurement_from_dict(json.loads(self.measured)) if self.measured else None


def save_measurement(store: Store, photo_id: int, measurement: Measurement) -> None:
    """Keep a photo's automatic result; an earlier one is replaced."""
    body = measurement_to_dict(measurement)
    with writing(store) as session:
        must_get(session, PhotoRow, photo_id)
        one_or_new(session, MeasurementRow, photo_id=photo_id).body = body


def edits_in_force(steps: Iterable[EditRow]) -> list[dict[str, Any]]:
    """What a photo's whole history, in order, leaves in force, oldest first."""
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
    return [edit for step in done for edit in step.body]


def save_decision(
    store: Store, photo_id: int, *, revision: int, inputs: dict[str, Any], decision: dict[str, Any]
) -> None:
    """Keep a decision, with the answers and the revision it rests on; older ones stay."""
    with writing(store) as session:
        must_get(session, PhotoRow, photo_id)
        told = {"inputs": plain(inputs), "body": plain(decision)}
        session.add(DecisionRow(photo_id=photo_id, revision=revision, **told))


def list_photos(store: Store, *, tree_id: int | None = None) -> list[PhotoLine]:
    """Every photo (of one tree), in the order they were saved."""
    which = true() if tree_id is None else PhotoRow.tree_id == tree_id
    with (
        reading(store) as session,
        broken_as(RecordError, f"{store.name}: a photo's row is damaged"),
    ):
        return [PhotoLine(**values) for values in _lines(session, which)]


def load_record(store: Store, photo_id: int) -> PhotoRecord:
    """Read all that is stored of one photo.

    Raises
    ------
    RecordError
        When it is not there or its record is damaged.
    """
    with reading(store) as session:
        must_get(session, PhotoRow, photo_id)
        return _records(session, _lines(session, PhotoRow.id == photo_id))[0]


def load_records(store: Store, photos: Sequence[PhotoLine]) -> list[PhotoRecord]:
    """Read all that is stored of some photos, in their order."""
    with reading(store) as session:
        return _records(session, [vars(photo) for photo in photos])


def _records(session: Session, lines: Sequence[Mapping[str, Any]]) -> list[PhotoRecord]:
    """In a few questions, each of no more numbers than a database takes at once."""
    out = []
    for k in range(0, len(lines), 5000):
        part = lines[k : k + 5000]
        numbers = [line["number"] for line in part]
        # as text: few of a season's measurements have to be read; the first counts: it comes last
        body = select(MeasurementRow.photo_id, cast(MeasurementRow.body, Text))
        body = body.where(MeasurementRow.photo_id.in_(numbers)).order_by(MeasurementRow.id.desc())
        measured = {row[0]: row[1] for row in session.execute(body)}
        history = select(EditRow).where(EditRow.photo_id.in_(numbers)).order_by(EditRow.revision)
        steps: dict[int, list[EditRow]] = defaultdict(list)
        for step in session.scalars(history):
            steps[step.photo_id].append(step)
        out += [
            PhotoRecord(
                **line,
                measured=measured.get(number, ""),
                edits=tuple(edits_in_force(steps[number])),
                revision=steps[number][-1].revision if steps[number] else 0,
            )
            for number, line in zip(numbers, part, strict=True)
        ]
    return out


def _lines(session: Session, which: Any) -> list[dict[str, Any]]:
    """Values of a :class:`PhotoLine` for the photos that meet a condition."""
    taken_at = MeasurementRow.body["photo"]["taken_at"].as_string()
    length_mm = MeasurementRow.body["limb"]["length_mm"].as_float()  # earlier decisions lack it
    of_photo = MeasurementRow.photo_id == PhotoRow.id
    # the result that corrections belong to, and the decision that is in force
    first = _of_photos(func.min(MeasurementRow.id), MeasurementRow.photo_id, which)
    newest = _of_photos(func.max(DecisionRow.id), DecisionRow.photo_id, which)
    same = ("suffix", "tree_id", "limb_id", "side", "moment", "saved_at")
    query = (
        select(
            PhotoRow.sha256.label("key"),
            PhotoRow.file_name.label("name"),
            PhotoRow.id.label("number"),
            func.coalesce(LimbRow.name, "").label("limb"),
            *(getattr(PhotoRow, field) for field in same),
            *(DecisionRow.inputs, DecisionRow.body, taken_at.label("taken"), length_mm.label("mm")),
        )
        .outerjoin(LimbRow, LimbRow.id == PhotoRow.limb_id)
        .outerjoin(DecisionRow, (DecisionRow.photo_id == PhotoRow.id) & DecisionRow.id.in_(newest))
        .outerjoin(MeasurementRow, of_photo & MeasurementRow.id.in_(first))
        .where(which)
        .order_by(PhotoRow.id)
    )
    out = []
    for row in session.execute(query).mappings():
        line = dict(row)
        body, taken, mm = (line.pop(name) for name in ("body", "taken", "mm"))
        length = {} if mm is None else {"length_mm": float(mm)}
        line["inputs"] = line["inputs"] or {}
        line["numbers"] = {**length, **row_values(body)} if body else {}
        line["taken_on"] = date.fromisoformat((taken or line["saved_at"])[:10])
        out.append(line)
    return out


def _of_photos(value: Any, photo_id: Any, which: Any) -> Any:
    """A value for each photo that meets a condition, of the rows that belong to it."""
    photos = select(PhotoRow.id).where(which)
    return select(value).where(photo_id.in_(photos)).group_by(photo_id)
