"""All records and photos in one zip file and back, without loss.

``records.jsonl`` has one JSON object a line, first the header, then every row of every table;
``photos/`` has the photo files under their hash. It is the same for SQLite and PostgreSQL, so
that it also moves records from one to the other.
Here too: the look for damage, and taking away photo files that belong to nothing.
"""

from __future__ import annotations

import json
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from sqlalchemy import select, text

from fruitcount.errors import RecordError, broken_as
from fruitcount.files import written_whole
from fruitcount.measurement_record import measurement_from_dict
from fruitcount.store import rows
from fruitcount.store.base import Store, reading
from fruitcount.store.orchard import load_trees
from fruitcount.store.photo_record import edits_in_force, list_photos
from fruitcount.store.photos import checked_bytes, file_of, unused_files
from fruitcount.store.tables import EditRow, MeasurementRow, PhotoRow

_LINES = "records.jsonl"
_LARGEST_PHOTO = 512 * 1024 * 1024
# about a hundred thousand counted photos; a small zip may claim to unpack to far more
_LARGEST_LINES = 8 * 1024 * 1024 * 1024
_LONGEST_LINE = 16 * 1024 * 1024  # the marks of one limb take about 300 bytes each
_DAMAGED = (zipfile.BadZipFile, zlib.error)
_HIGHEST_RATIO = 100  # rows of records pack to a tenth; photos are not packed at all


def write_archive(store: Store, path: str | Path, *, keep_location: bool = False) -> Path:
    """Write all records and photos into one zip file, whole or not at all, and read it back.

    Parameters
    ----------
    store : Store
    path : str or Path
    keep_location : bool
        True writes the GPS position of those photos that were kept with it. It is taken out of
        the copies in the archive otherwise.

    Raises
    ------
    RecordError
        When a file of that name is there already (an earlier backup is never written over), or a
        photo file is gone or was changed: an archive that looks whole must be whole.
    """
    target = Path(path)
    if target.exists():
        raise RecordError(f"{target}: is already there; give the backup another name")
    with written_whole(target.parent) as folder, reading(store) as session:
        draft = folder / target.name
        with zipfile.ZipFile(draft, "w", zipfile.ZIP_STORED) as out:
            photos = {}
            for name, data, row in rows.photo_files(store, session, keep_location=keep_location):
                # a ZipInfo has a date of its own: zip files know none before 1980, clocks do
                out.writestr(zipfile.ZipInfo(name), data)
                photos[int(row["id"])] = row
            info = zipfile.ZipInfo(_LINES)
            info.compress_type = zipfile.ZIP_DEFLATED
            with out.open(info, "w", force_zip64=True) as stream:
                for line in rows.all_lines(session, photos):
                    row_text = json.dumps(
                        line, ensure_ascii=False, allow_nan=False, default=rows.encode
                    )
                    stream.write(row_text.encode() + b"\n")
        with _opened(draft, str(target)) as again:
            if (bad := again.testzip()) is not None:
                raise RecordError(f"{target}: {bad} cannot be read back, archive not made")
        rows.read_back(session, lambda copy: read_archive(copy, draft, photos=False), str(target))
    return target


def read_archive(
    store: Store, path: str | Path, *, keep_location: bool = False, photos: bool = True
) -> int:
    """Read an archive into records that are empty; returns how many rows were read.

    Parameters
    ----------
    store : Store
    path : str or Path
    keep_location : bool
        True keeps the GPS position of photos that have it in the archive. It is taken out
        otherwise.

    Raises
    ------
    RecordError
        When the records are not empty, or the archive is damaged, of another version, or holds a
        photo that is not what its name says. Nothing is kept of it then.
    """
    name = str(path)
    with _opened(path, name) as archive:

        def read(photo: str) -> bytes:
            return archive.read(_member(archive, photo, _LARGEST_PHOTO))

        with archive.open(_member(archive, _LINES, _LARGEST_LINES)) as stream:
            lines, files = _parsed(stream, name), read if photos else None
            return rows.put_back(store, lines, name, files, keep_location=keep_location)


# where the drive fails the zip reader may say no more than "not a zip file"
@contextmanager
def _opened(path: str | Path, name: str) -> Iterator[zipfile.ZipFile]:
    try:
        with zipfile.ZipFile(path) as archive:
            if len(set(archive.namelist())) < len(archive.namelist()):
                raise RecordError(f"{name}: holds a file twice, which is no backup")
            yield archive
    except (*_DAMAGED, OSError, EOFError, LookupError, ValueError, RuntimeError) as error:
        why = "it wants a password" if isinstance(error, RuntimeError) else error
        raise RecordError(f"{name}: cannot be read, or is damaged: {why}") from error


def _parsed(stream: IO[bytes], name: str) -> Iterator[Any]:
    number = 0
    while line := stream.readline(_LONGEST_LINE + 1):
        number += 1
        if len(line) > _LONGEST_LINE:
            raise RecordError(f"{name}, line {number}: over {_LONGEST_LINE} bytes, no record")
        with broken_as(RecordError, f"{name}, line {number}: cannot be read"):
            item = json.loads(line.decode())
        yield item


def _member(archive: zipfile.ZipFile, name: str, largest: int) -> zipfile.ZipInfo:
    """What the archive says of a file in it, if it is not more than such a file can be."""
    info = archive.getinfo(name)
    packed_n = max(info.compress_size, 1)
    if info.file_size > largest or info.file_size > _HIGHEST_RATIO * packed_n + 1_000_000:
        raise RecordError(
            f"{archive.filename}: {name} unpacks from {packed_n} to {info.file_size} bytes, "
            "which is no backup"
        )
    return info


def find_damage(store: Store, *, hashed: bool = True) -> list[str]:
    """Look through everything; an empty list means that all is well.

    Checks the database's own structure and references, that every photo's file is there and
    unchanged (False for ``hashed`` reads no photo), that no file is without a row, that every edit
    history is whole and that every automatic result can be read.
    """
    found: list[str] = []
    parts = (_database(store), _photos(store, hashed=hashed), _edits(store), _sense(store))
    for part in parts:
        try:
            found.extend(part)  # what was found before the fault is kept
        except RecordError as error:
            found.append(str(error))
    return list(dict.fromkeys(found))


def _database(store: Store) -> Iterator[str]:
    if not store.is_sqlite:
        return
    with reading(store) as session:
        for (line,) in session.execute(text("PRAGMA integrity_check")):
            if line != "ok":
                yield f"database: {line}"
        for row in session.execute(text("PRAGMA foreign_key_check")):
            yield f"database: a row of {row[0]} points at nothing"
    for table in rows.record_tables():
        try:
            with reading(store) as session:
                all(rows.table_rows(session, table))
        except RecordError as error:
            yield str(error)


def _sense(store: Store) -> Iterator[str]:
    for read in (list_photos, load_trees):
        try:
            read(store)
        except RecordError as error:
            yield str(error)


def _photos(store: Store, *, hashed: bool) -> Iterator[str]:
    columns = (PhotoRow.id, PhotoRow.sha256, PhotoRow.suffix, PhotoRow.file_sha256)
    with reading(store) as session:
        for number, sha256, suffix, file_sha256 in session.execute(
            select(*columns).order_by(PhotoRow.id)
        ):
            try:
                if hashed or not file_of(store, sha256, suffix).is_file():
                    checked_bytes(store, sha256, suffix, file_sha256)
            except RecordError as error:
                yield f"photo {number}: {error}"
    for path in unused_files(store):
        yield f"file {path.name}: no photo in the records"


def _edits(store: Store) -> Iterator[str]:
    with reading(store) as session:
        steps: dict[int, list[EditRow]] = {}
        for step in session.scalars(select(EditRow).order_by(EditRow.photo_id, EditRow.revision)):
            steps.setdefault(step.photo_id, []).append(step)
        for photo_id, history in steps.items():
            if [r.revision for r in history] != list(range(1, len(history) + 1)):
                yield f"photo {photo_id}: a step of its edits is missing"
                continue
            try:
                edits_in_force(history)
            except RecordError as error:
                yield str(error)
        for row in session.scalars(select(MeasurementRow)):
            try:
                measurement_from_dict(row.body)
            except RecordError as error:
                yield f"photo {row.photo_id}: {error}"


def delete_unused_files(store: Store) -> int:
    """Remove files in the photos folder that no row speaks of; returns how many."""
    files = unused_files(store)
    for path in files:
        path.unlink()
    return len(files)
