"""Rows and photo files as they go out of the records and come back in, whatever the file form.

A line is a dict: first the header (kind and version), then ``table`` and ``row`` for every row of
every table, in an order in which each row comes after those that it points at.
"""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing, suppress
from datetime import date
from itertools import zip_longest
from pathlib import Path
from typing import Any

from sqlalchemy import JSON, Date, Table, insert, select, text
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from fruitcount.errors import PhotoUnreadableError, RecordError, broken_as
from fruitcount.files import written_whole
from fruitcount.image.metadata import without_location
from fruitcount.store.base import Store, open_store, reading, writing
from fruitcount.store.photos import checked_bytes, file_of, write_whole
from fruitcount.store.tables import FIRST, KIND, LATEST, RENAMED, Base, PhotoRow

GONE = ("batch_row",)
"""Tables of earlier versions whose rows say nothing any more."""
_INTEGER_END = 1 << 63  # where a database's whole numbers end


def record_tables() -> list[Table]:
    """Every table but the one about the database itself."""
    return [t for t in Base.metadata.sorted_tables if t.name != "meta"]


def table_rows(session: Session, table: Table) -> Iterator[dict[str, Any]]:
    """Rows of one table in the order of their numbers.

    Raises
    ------
    RecordError
        Naming a row that could not be read back when it was written out.
    """
    for values in session.execute(select(table).order_by(table.c.id)).mappings():
        row = {str(name): value for name, value in values.items()}
        yield _decode(table, row, f"row {row['id']} of the records", older=False)


def encode(value: Any) -> Any:
    """A date as text; anything else as it is."""
    return value.isoformat() if isinstance(value, date) else value


def _decode(table: Table, row: Any, where: str, *, older: bool) -> dict[str, Any]:
    """The row, if every value is of its column's kind: SQLite itself would take any."""
    names = set(table.columns.keys())
    # an older archive may lack columns: they get the values a new row would have
    if not isinstance(row, dict) or not set(row) <= names or (set(row) != names and not older):
        raise RecordError(f"{where}: row of {table.name} has other columns: {row!r:.200}")
    out = dict(row)
    for name in row:
        kind = table.columns[name].type
        with suppress(TypeError, ValueError):
            out[name] = date.fromisoformat(row[name]) if isinstance(kind, Date) else row[name]
        value = out[name]
        if value is None and not table.columns[name].nullable:
            raise RecordError(f"{where}: {table.name}.{name} is missing")
        wanted: tuple[type, ...] = (dict, list)
        if not isinstance(kind, JSON):
            wanted = (int, float) if kind.python_type is float else (kind.python_type,)
        large = isinstance(value, int) and abs(value) >= _INTEGER_END
        large |= isinstance(value, bool) and bool not in wanted  # Python takes it for a number
        if value is not None and (not isinstance(value, wanted) or large):
            raise RecordError(f"{where}: {table.name}.{name} is not of its kind: {value!r:.80}")
    with broken_as(RecordError, f"{where}: {table.name} is damaged"):
        json.dumps(out, allow_nan=False, default=encode)
    return out


def all_lines(session: Session, photos: Mapping[int, dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """The header and every row; ``photos`` has photos' rows as they go out, by number."""
    yield {"kind": KIND, "version": LATEST}
    for table in record_tables():
        for row in table_rows(session, table):
            out = photos.get(row["id"], row) if table.name == "photo" else row
            yield {"table": table.name, "row": out}


def photo_files(
    store: Store, session: Session, *, keep_location: bool
) -> Iterator[tuple[str, bytes, dict[str, Any]]]:
    """Name, bytes and row of every photo as they go out: the file then may lack the place.

    Raises
    ------
    RecordError
        When a file is gone, was changed, or is so damaged that nobody can say what it tells: an
        export that looks whole must be whole.
    """
    for row in table_rows(session, Base.metadata.tables["photo"]):
        data = checked_bytes(store, row["sha256"], row["suffix"], row["file_sha256"])
        out = data if keep_location else _bare(data, row)
        digest = hashlib.sha256(out).hexdigest()
        told = {"bytes_n": len(out), "file_sha256": "" if digest == row["sha256"] else digest}
        yield f"photos/{row['sha256']}{row['suffix']}", out, {**row, **told}


def _bare(data: bytes, row: dict[str, Any]) -> bytes:
    try:
        return without_location(data)
    except PhotoUnreadableError as error:
        raise RecordError(
            f"photo {row['id']} ({row['file_name']}) {error.reason}, so that the place cannot be "
            f"taken out: delete it (--photo {row['id']}), or write all as it is (--keep-location)"
        ) from error


def write_photo_folder(
    store: Store, session: Session, folder: Path, keep_location: bool
) -> dict[int, dict[str, Any]]:
    """Write every photo's file below a folder; gives their rows as they go out, by number."""
    rows = {}
    with written_whole(folder / "photos") as draft:
        for name, data, row in photo_files(store, session, keep_location=keep_location):
            path = draft / Path(name).name
            path.write_bytes(data)
            if path.read_bytes() != data:
                raise RecordError(f"{folder / name}: does not read back as written")
            rows[int(row["id"])] = row
    return rows


def read_back(session: Session, read: Callable[[Store], int], name: str) -> None:
    """Read what was just written into records of their own and compare them row by row.

    Parameters
    ----------
    session : Session
        That the rows were written from.
    read : callable
        Reads them, without the photos, into the empty records that it is given.
    name : str
        What was written, for the message.

    Raises
    ------
    RecordError
        When it cannot be read or anything differs.
    """
    with (
        tempfile.TemporaryDirectory() as folder,
        closing(open_store(Path(folder) / "b.db")) as copy,
    ):
        read(copy)
        with reading(copy) as other:
            for table in record_tables():
                pairs = zip_longest(table_rows(session, table), table_rows(other, table))
                for number, (one, two) in enumerate(pairs, start=1):
                    if one is None or two is None or not _same(one, two):
                        raise RecordError(
                            f"{name}: row {number} of {table.name} does not read back as written"
                        )


def _same(one: dict[str, Any], two: dict[str, Any]) -> bool:
    # a photo's file may go out without its place; its own hash is checked when it is put back
    return all(one[k] == two[k] for k in one if k not in ("bytes_n", "file_sha256"))


def put_back(
    store: Store,
    lines: Iterable[Any],
    name: str,
    read_photo: Callable[[str], bytes] | None,
    *,
    keep_location: bool,
) -> int:
    """Read lines, and the photos they speak of, into records that are empty: all or nothing.

    Parameters
    ----------
    store : Store
    lines : iterable of dict
        As :func:`all_lines` gives them. ``where`` in one names it in messages.
    name : str
        What they are read from, for messages.
    read_photo : callable or None
        Takes ``photos/`` and a file's name, gives its bytes; None leaves the files as they are.
    keep_location : bool
        False takes the GPS position out of the photos.

    Returns
    -------
    int
        How many rows were read.

    Raises
    ------
    RecordError
        When there are rows already, or anything cannot be read.
    """
    with writing(store) as session:
        for table in record_tables():
            if session.execute(select(table.c.id).limit(1)).first() is not None:
                raise RecordError(f"{store.name}: records can only be read into an empty database")
        count = _read_lines(session, lines, name)
        if read_photo is not None:
            _put_photos(store, session, name, read_photo, keep_location=keep_location)
    return count


def photos_beside(folder: Path) -> Callable[[str], bytes] | None:
    """A reader of the photo files in an exported folder; None where it has none."""

    def read(name: str) -> bytes:
        try:
            return (folder / name).read_bytes()
        except OSError as error:
            raise RecordError(f"{folder / name}: cannot be read: {error.strerror}") from error

    return read if (folder / "photos").is_dir() else None


def _put_photos(
    store: Store,
    session: Session,
    source: str,
    read: Callable[[str], bytes],
    *,
    keep_location: bool,
) -> None:
    """Put the file of every photo row in its place, checked against the row; all or none."""
    made = []
    try:
        for photo in session.scalars(select(PhotoRow).order_by(PhotoRow.id)):
            target = file_of(store, photo.sha256, photo.suffix)
            name = f"photos/{photo.sha256}{photo.suffix}"
            data = read(name)
            if hashlib.sha256(data).hexdigest() != (photo.file_sha256 or photo.sha256):
                raise RecordError(f"{source}: {name} is not the photo that its row says")
            kept = data if keep_location else without_location(data)
            if kept is not data:
                photo.bytes_n, photo.file_sha256 = len(kept), hashlib.sha256(kept).hexdigest()
            made += [] if target.exists() else [target]
            write_whole(target, kept)
    except BaseException:
        for path in made:
            path.unlink(missing_ok=True)
        raise


def _read_lines(session: Session, lines: Iterable[Any], name: str) -> int:
    tables = {t.name: t for t in record_tables()}
    count, version = 0, 0
    for number, item in enumerate(lines, start=1):
        where = f"{name}, line {number}"
        with broken_as(RecordError, f"{where}: cannot be read"):
            where = item.get("where", where)
            if not version:
                version = _header(item, where)
                continue
            if item["table"] in GONE:
                continue
            table, row = tables[RENAMED.get(item["table"], item["table"])], item["row"]
        try:
            session.execute(insert(table), _decode(table, row, where, older=version < LATEST))
        except IntegrityError as error:
            what = f"{table.name} comes twice, or belongs to nothing"
            raise RecordError(f"{where}: this row of {what}: {error.orig}") from error
        count += 1
    if not version:
        raise RecordError(f"{name}: holds no records")
    if session.get_bind().dialect.name == "postgresql":
        # rows came with their numbers; a server's own counter must go on behind them
        for table in tables.values():
            session.execute(
                text(
                    f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), "  # noqa: S608  # nosec B608
                    f"COALESCE((SELECT MAX(id) FROM {table.name}), 0) + 1, false)"
                )
            )
    return count


def _header(item: dict[str, Any], where: str) -> int:
    version = item.get("version")
    if item.get("kind") != KIND or type(version) is not int or not FIRST <= version <= LATEST:
        raise RecordError(
            f"{where}: expected {KIND!r} of version {FIRST} to {LATEST}, got "
            f"{item.get('kind')!r} of version {version!r}"
        )
    return version
