"""Keep the records sound: look for damage, take away what belongs to nothing."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

from sqlalchemy import select, text

from fruitcount.errors import RecordError
from fruitcount.measurement_record import measurement_from_dict
from fruitcount.store.base import Store, reading
from fruitcount.store.photo_record import replay_edits
from fruitcount.store.photos import file_of, unused_files
from fruitcount.store.tables import EditRow, MeasurementRow, PhotoRow


def find_damage(store: Store) -> list[str]:
    """Look through everything; an empty list means that all is well.

    Checks the database's own structure and references, that every photo's file is there and
    unchanged, that no file is without a row, that every edit history is whole and that every
    automatic result can be read.
    """
    return [*_database(store), *_photos(store), *_edits(store)]


def _database(store: Store) -> Iterator[str]:
    if not store.is_sqlite:
        return
    with reading(store) as session:
        for (line,) in session.execute(text("PRAGMA integrity_check")):
            if line != "ok":
                yield f"database: {line}"
        for row in session.execute(text("PRAGMA foreign_key_check")):
            yield f"database: a row of {row[0]} points at nothing"


def _photos(store: Store) -> Iterator[str]:
    columns = (PhotoRow.id, PhotoRow.sha256, PhotoRow.suffix, PhotoRow.file_sha256)
    with reading(store) as session:
        for number, sha256, suffix, file_sha256 in session.execute(
            select(*columns).order_by(PhotoRow.id)
        ):
            path = file_of(store, sha256, suffix)
            if not path.is_file():
                yield f"photo {number}: its file {path.name} is gone"
            elif hashlib.sha256(path.read_bytes()).hexdigest() != (file_sha256 or sha256):
                yield f"photo {number}: its file {path.name} was changed"
    for path in unused_files(store):
        yield f"file {path.name}: no photo in the records"


def _edits(store: Store) -> Iterator[str]:
    with reading(store) as session:
        steps: dict[int, list[EditRow]] = {}
        for step in session.scalars(select(EditRow).order_by(EditRow.photo_id, EditRow.revision)):
            steps.setdefault(step.photo_id, []).append(step)
        for photo_id, rows in steps.items():
            if [r.revision for r in rows] != list(range(1, len(rows) + 1)):
                yield f"photo {photo_id}: a step of its edits is missing"
                continue
            try:
                replay_edits(rows)
            except RecordError as error:
                yield str(error)
        for seen in session.scalars(select(MeasurementRow)):
            try:
                measurement_from_dict(seen.body)
            except RecordError as error:
                yield f"photo {seen.photo_id}: {error}"


def delete_unused_files(store: Store) -> int:
    """Remove files in the photos folder that no row speaks of; returns how many."""
    files = unused_files(store)
    for path in files:
        path.unlink()
    return len(files)
