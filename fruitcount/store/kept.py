"""The one door to kept photos: each by its hash, with every step of its correction.

Steps are rows that are only ever added. Each holds the browser that made it and its number there,
so a step sent twice is known again after a restart; the unique revision makes it impossible for
two browsers to write over one another.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError

from fruitcount.errors import RecordError
from fruitcount.pipeline import Result
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.results import result_row
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.base import RevisionConflictError, Store, open_store, reading, writing
from fruitcount.store.limbs import save_limb
from fruitcount.store.orchard import save_tree, tree_id_of, tree_numbers
from fruitcount.store.photo_record import (
    PhotoLine,
    list_photos,
    load_record,
    save_decision,
    save_measurement,
)
from fruitcount.store.photos import (
    PhotoPlace,
    delete_photo,
    photo_file,
    save_photo,
    set_photo_place,
)
from fruitcount.store.tables import EditRow, PhotoRow
from fruitcount.types import Measurement
from fruitcount.units import season_year


@dataclass(frozen=True)
class Event:
    """One stored step of a photo's history.

    Attributes
    ----------
    revision : int
        Of the photo after this step; unique within the photo.
    client, seq : str, int
        The browser that sent it and its number there; unique within the photo.
    step : dict
        ``{"do": edit}``, ``{"undo": true}`` or ``{"redo": true}``.
    """

    revision: int
    client: str
    seq: int
    step: Mapping[str, Any]


class Records:
    """Photos and their steps, named by the photo's hash.

    Parameters
    ----------
    store : Store
    """

    def __init__(self, store: Store) -> None:
        self.store = store

    def add_photo(self, data: bytes, name: str) -> str:
        """Keep a photo's bytes; the same bytes are kept once. Returns its key."""
        number = save_photo(self.store, data, name=Path(name).name[:120])
        with reading(self.store) as db:
            return str(db.scalars(select(PhotoRow.sha256).where(PhotoRow.id == number)).one())

    def number(self, key: str) -> int:
        """The photo's number in the records.

        Raises
        ------
        RecordError
            When no such photo is kept.
        """
        with reading(self.store) as db:
            found = db.scalar(select(PhotoRow.id).where(PhotoRow.sha256 == key))
        if found is None:
            raise RecordError("There is no such photo here. It may have been deleted.")
        return int(found)

    def name(self, key: str) -> str:
        """The photo's file name, for people."""
        with reading(self.store) as db:
            return db.scalar(select(PhotoRow.file_name).where(PhotoRow.sha256 == key)) or ""

    def path(self, key: str) -> Path:
        """The photo's file.

        Raises
        ------
        RecordError
            When no such photo is kept.
        """
        return photo_file(self.store, self.number(key))

    def measurement(self, key: str) -> Measurement | None:
        """The automatic result that corrections start from, or None when not measured yet."""
        measurement = load_record(self.store, self.number(key)).measurement
        return None if measurement is None else replace(measurement, sha256=key)

    def keep_seen(self, key: str, measurement: Measurement) -> None:
        """Keep the automatic result, unless one is kept: corrections belong to the first.

        Its hash is that of the bytes that came, which is the photo's key: the file that is kept
        differs where the place was taken out of it.
        """
        if self.measurement(key) is None:
            save_measurement(self.store, self.number(key), replace(measurement, sha256=key))

    def steps(self, key: str, after: int = 0) -> list[Event]:
        """Stored steps with a revision above ``after``, in order."""
        query = select(EditRow).where(
            EditRow.photo_id == self.number(key), EditRow.revision > after
        )
        with reading(self.store) as db:
            return [_event(row) for row in db.scalars(query.order_by(EditRow.revision))]

    def add_steps(self, key: str, events: Sequence[Event]) -> None:
        """Store steps, all or none.

        Raises
        ------
        RevisionConflictError
            When another browser stored one of these revisions first.
        """
        if not events:
            return
        number = self.number(key)
        try:
            with writing(self.store) as db:
                db.add_all([_row(number, event) for event in events])
        except RecordError as error:
            if isinstance(error.__cause__, IntegrityError):
                raise RevisionConflictError("changed by another browser") from error
            raise

    def inputs(self, key: str) -> dict[str, Any]:
        """What the grower last said of this photo; empty before that."""
        return load_record(self.store, self.number(key)).inputs

    def keep_result(
        self, key: str, revision: int, inputs: Mapping[str, Any], numbers: Mapping[str, Any]
    ) -> None:
        """Keep what was decided at a revision, with the answers it rests on."""
        told = {"inputs": dict(inputs), "decision": dict(numbers)}
        save_decision(self.store, self.number(key), revision=revision, **told)

    def photos(self, tree_id: int | None = None) -> list[PhotoLine]:
        """Every photo (of one tree), newest first."""
        return list_photos(self.store, tree_id=tree_id)[::-1]

    def trees(self) -> dict[str, int]:
        """Numbers of the trees by name."""
        return tree_numbers(self.store)

    def tree_of(self, key: str) -> int | None:
        """Number of the tree that a photo shows, if it was told."""
        with reading(self.store) as db:
            return db.scalar(select(PhotoRow.tree_id).where(PhotoRow.sha256 == key))

    def put_in_tree(self, key: str, tree_id: int | None) -> None:
        """Say which tree a photo shows; its limb, side and moment stay."""
        set_photo_place(self.store, self.number(key), tree_id=tree_id)

    def put_on_limb(self, key: str, limb: str, side: str, moment: str) -> None:
        """Say which limb of its tree a photo shows, from where, and when."""
        tree_id = self.tree_of(key)
        limb_id = (
            save_limb(self.store, tree_id, name=limb) if limb and tree_id is not None else None
        )
        place = {"limb_id": limb_id, "side": side, "moment": moment}
        set_photo_place(self.store, self.number(key), **place)

    def forget(self, key: str) -> None:
        """Delete a photo, its small copies and all its steps, for good."""
        delete_photo(self.store, self.number(key))


def _event(row: EditRow) -> Event:
    first = row.body[0] if row.body else {}
    client, seq = str(first.get("client", "?")), int(first.get("seq", 0))
    step: dict[str, Any] = {row.kind: True}
    if row.kind == "edit":
        step = {"do": {k: v for k, v in first.items() if k not in ("client", "seq")}}
    return Event(row.revision, client, seq, step)


def _row(number: int, event: Event) -> EditRow:
    kind = "edit" if "do" in event.step else "undo" if "undo" in event.step else "redo"
    body = {"client": event.client, "seq": event.seq, **event.step.get("do", {})}
    return EditRow(photo_id=number, revision=event.revision, kind=kind, body=[body])


def open_records(folder: str | Path) -> Records:
    """The records in a folder; they are made when they are not there.

    Opened once a process: opening the file a second time would, on closing it, drop the locks
    that SQLite holds on it for the first (how POSIX locks work), and another process could then
    take away the log that the first still writes.
    """
    return _opened(str(Path(folder).absolute()))


@cache
def _opened(folder: str) -> Records:
    return Records(open_store(Path(folder) / "records.db", photos_folder=Path(folder) / "photos"))


def record_count(
    store: Store, photo: str | Path, result: Result, *, tree: str = "", limb: str = "",
    side: str = "", moment: str = ""
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
        limb_id = save_limb(store, tree_id, name=limb)
    place = PhotoPlace(tree_id, limb_id, side, moment)
    number = save_photo(store, Path(photo), place=place if tree else None)
    sheet = load_record(store, number)
    if sheet.measurement is None:
        save_measurement(store, number, replace(measurement, sha256=sheet.key))
    if not sheet.revision:
        told = {f.name: getattr(inputs, f.name) for f in fields(GrowerInputs)}
        usual = GrowerInputs(species="")
        told = {name: v for name, v in told.items() if v != getattr(usual, name)}
        save_decision(store, number, revision=0, inputs=told, decision=result_row(result).values())
    return number
