"""Rows and photo files as they go out of the records and come back in, whatever the file form.

A line is a dict: first the header (kind and version), then ``table`` and ``row`` for every row of
every table, in an order in which each row comes after those that it points at.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from datetime import date
from typing import Any

from sqlalchemy import JSON, Date, Table, insert, select, text
from sqlalchemy.orm import Session

from fruitcount.errors import RecordError
from fruitcount.image.metadata import without_location
from fruitcount.store.base import Store
from fruitcount.store.photos import file_of, write_whole
from fruitcount.store.schema import FIRST, KIND, LATEST
from fruitcount.store.tables import Base, PhotoRow

__all__ = [
    "all_lines",
    "checked",
    "encode",
    "exported_photo",
    "must_be_empty",
    "photo_data",
    "put_photos",
    "read_lines",
    "record_tables",
    "set_counters",
    "table_rows",
]


_INTEGER_END = 1 << 63  # where a database's whole numbers end


def record_tables() -> list[Table]:
    """Every table but the one about the database itself."""
    return [t for t in Base.metadata.sorted_tables if t.name != "meta"]


def table_rows(session: Session, table: Table) -> Iterator[dict[str, Any]]:
    """Rows of one table in the order of their numbers."""
    for row in session.execute(select(table).order_by(table.c.id)).mappings():
        yield {str(name): value for name, value in row.items()}


def encode(value: Any) -> Any:
    """A date as text; anything else as it is."""
    return value.isoformat() if isinstance(value, date) else value


def _decode(table: Table, row: dict[str, Any], where: str, *, older: bool) -> dict[str, Any]:
    names = {c.name for c in table.columns}
    if not isinstance(row, dict):
        raise RecordError(f"{where}: a row of {table.name} must be an object")
    # an older archive may lack columns: they get the values a new row would have
    if not set(row) <= names or (set(row) != names and not older):
        raise RecordError(f"{where}: row of {table.name} has other columns: {sorted(row)}")
    out = dict(row)
    try:
        for column in table.columns:
            if isinstance(column.type, Date) and out.get(column.name) is not None:
                out[column.name] = date.fromisoformat(out[column.name])
    except (TypeError, ValueError) as error:
        raise RecordError(f"{where}: a date of {table.name} cannot be read: {error}") from error
    return checked(table, out, where)


def checked(table: Table, row: dict[str, Any], where: str) -> dict[str, Any]:
    """The row, if every value is of its column's kind: SQLite itself would take any.

    Raises
    ------
    RecordError
        Naming the column.
    """
    for name, value in row.items():
        kind = table.columns[name].type
        wanted: tuple[type, ...] = (dict, list)
        if not isinstance(kind, JSON):
            wanted = (int, float) if kind.python_type is float else (kind.python_type,)
        large = isinstance(value, int) and abs(value) >= _INTEGER_END
        if value is not None and (not isinstance(value, wanted) or large):
            raise RecordError(f"{where}: {table.name}.{name} is not of its kind: {value!r:.80}")
    return row


def all_lines(
    session: Session, photo_row: Callable[[dict[str, Any]], dict[str, Any]]
) -> Iterator[dict[str, Any]]:
    """The header and every row.

    Parameters
    ----------
    session : Session
    photo_row : callable
        Gives a photo's row as it goes out, such as :func:`exported_photo`.
    """
    yield {"kind": KIND, "version": LATEST}
    for table in record_tables():
        for row in table_rows(session, table):
            yield {"table": table.name, "row": photo_row(row) if table.name == "photo" else row}


def photo_data(store: Store, row: dict[str, Any], *, keep_location: bool) -> bytes:
    """The bytes of a photo as they go out.

    Raises
    ------
    RecordError
        When the file is gone or was changed: an export that looks whole must be whole.
    """
    source = file_of(store, row["sha256"], row["suffix"])
    if not source.is_file():
        raise RecordError(f"{source}: the photo's file is gone, nothing was written")
    data = source.read_bytes()
    if hashlib.sha256(data).hexdigest() != (row["file_sha256"] or row["sha256"]):
        raise RecordError(f"{source}: the photo's file was changed, nothing was written")
    return data if keep_location else without_location(data)


def exported_photo(store: Store, row: dict[str, Any], *, keep_location: bool) -> dict[str, Any]:
    """The row of a photo as it goes out: its file then may lack the place."""
    data = photo_data(store, row, keep_location=keep_location)
    digest = hashlib.sha256(data).hexdigest()
    told = "" if digest == row["sha256"] else digest
    return {**row, "bytes_n": len(data), "file_sha256": told}


def must_be_empty(store: Store, session: Session) -> None:
    """Raise unless the records have no row yet."""
    for table in record_tables():
        if session.execute(select(table.c.id).limit(1)).first() is not None:
            raise RecordError(f"{store.name}: records can only be read into an empty database")


def put_photos(
    store: Store, session: Session, read: Callable[[str], bytes], *, keep_location: bool
) -> None:
    """Put the file of every photo row in its place, checked against the row.

    Parameters
    ----------
    store : Store
    session : Session
        In which the rows were read.
    read : callable
        Takes ``photos/`` and the file's name, gives its bytes.
    keep_location : bool
        False takes the GPS position out.
    """
    for photo in session.scalars(select(PhotoRow).order_by(PhotoRow.id)):
        target = file_of(store, photo.sha256, photo.suffix)
        name = f"photos/{photo.sha256}{photo.suffix}"
        data = read(name)
        if hashlib.sha256(data).hexdigest() != (photo.file_sha256 or photo.sha256):
            raise RecordError(f"{name}: the photo is not what its row says")
        kept = data if keep_location else without_location(data)
        if kept is not data:
            photo.bytes_n, photo.file_sha256 = len(kept), hashlib.sha256(kept).hexdigest()
        write_whole(target, kept)


def read_lines(session: Session, lines: Iterable[Any], name: str) -> int:
    """Insert the rows of lines (see :func:`all_lines`); returns how many.

    Raises
    ------
    RecordError
        When a line is none, or of a version that this program does not know.
    """
    tables = {t.name: t for t in record_tables()}
    count, version = 0, 0
    for number, item in enumerate(lines, start=1):
        where = f"{name}, line {number}"
        try:
            if not version:
                version = _header(item, where)
                continue
            table, row = tables[item["table"]], item["row"]
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            raise RecordError(f"{where}: cannot be read: {error}") from error
        session.execute(insert(table), _decode(table, row, where, older=version < LATEST))
        count += 1
    if not version:
        raise RecordError(f"{name}: holds no records")
    set_counters(session)
    return count


def _header(item: dict[str, Any], where: str) -> int:
    version = item.get("version")
    if item.get("kind") != KIND or not isinstance(version, int) or not FIRST <= version <= LATEST:
        raise RecordError(
            f"{where}: expected {KIND!r} of version {FIRST} to {LATEST}, got "
            f"{item.get('kind')!r} of version {version!r}"
        )
    return version


def set_counters(session: Session) -> None:
    """Let a server count on from the rows that were read."""
    # rows came with their numbers; a server's own counter must go on behind them
    if session.get_bind().dialect.name != "postgresql":
        return
    for table in record_tables():
        session.execute(
            text(
                f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), "  # noqa: S608  # nosec B608
                f"COALESCE((SELECT MAX(id) FROM {table.name}), 0) + 1, false)"
            )
        )
