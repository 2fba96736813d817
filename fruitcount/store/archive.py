"""All records into one file or folder and back, without loss.

The archive is a zip: ``records.jsonl`` has one JSON object a line, first the header, then every
row of every table; ``photos/`` has the photo files under their hash. It is the same for SQLite
and PostgreSQL, so that it also moves records from one to the other.
"""

from __future__ import annotations

import csv
import hashlib
import json
import os
import tempfile
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

from sqlalchemy import JSON, Column, Date, Table, Text, insert, select, text
from sqlalchemy.orm import Session

from fruitcount.cells import FORMULA_STARTS
from fruitcount.errors import RecordError
from fruitcount.image.location import without_location
from fruitcount.store.base import Store, reading, writing
from fruitcount.store.photos import file_of, write_whole
from fruitcount.store.schema import FIRST, KIND, LATEST
from fruitcount.store.tables import Base, PhotoRow
from fruitcount.whole_files import written_whole

__all__ = ["read_archive", "read_csv_folder", "write_archive", "write_csv_folder"]

_LINES = "records.jsonl"
# columns that came after the first CSV files were written: they may be missing there
_LATER = ("file_sha256",)
_LATER_TABLES = ("tuning",)
_LARGEST_PHOTO = 512 * 1024 * 1024
# a spreadsheet takes a text that starts like this for a formula
_RISKY = (*FORMULA_STARTS, "'")


def _tables() -> list[Table]:
    return [t for t in Base.metadata.sorted_tables if t.name != "meta"]


def _rows(session: Session, table: Table) -> Iterator[dict[str, Any]]:
    for row in session.execute(select(table).order_by(table.c.id)).mappings():
        yield {str(name): value for name, value in row.items()}


def _encode(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date) else value


def _decode(table: Table, row: dict[str, Any], where: str, *, older: bool) -> dict[str, Any]:
    names = {c.name for c in table.columns}
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
    return out


def write_archive(store: Store, path: str | Path, *, keep_location: bool = False) -> Path:
    """Write all records and photos into one zip file, whole or not at all, and read it back.

    Parameters
    ----------
    store : Store
    path : str or Path
        Replaced if it exists.
    keep_location : bool
        True writes the GPS position of those photos that were kept with it. It is taken out of
        the copies in the archive otherwise.

    Raises
    ------
    RecordError
        When a photo file is gone or was changed: an archive that looks whole must be whole.
    """
    target = Path(path)
    target.parent.mkdir(parents=True, exist_ok=True)
    handle, draft = tempfile.mkstemp(dir=target.parent, suffix=".part")
    os.close(handle)
    try:
        with reading(store) as session, zipfile.ZipFile(draft, "w", zipfile.ZIP_STORED) as out:
            for row in _write_lines(store, session, out, keep_location):
                data = _photo_data(store, row, keep_location)
                out.writestr(f"photos/{row['sha256']}{row['suffix']}", data)
        with zipfile.ZipFile(draft) as again:
            bad = again.testzip()
        if bad is not None:
            raise RecordError(f"{target}: {bad} cannot be read back, archive not made")
        Path(draft).replace(target)
    except BaseException:
        Path(draft).unlink(missing_ok=True)
        raise
    return target


def _photo_data(store: Store, row: dict[str, Any], keep_location: bool) -> bytes:
    source = file_of(store, row["sha256"], row["suffix"])
    if not source.is_file():
        raise RecordError(f"{source}: the photo's file is gone, archive not made")
    data = source.read_bytes()
    if hashlib.sha256(data).hexdigest() != (row["file_sha256"] or row["sha256"]):
        raise RecordError(f"{source}: the photo's file was changed, archive not made")
    return data if keep_location else without_location(data)


def _write_lines(
    store: Store, session: Session, out: zipfile.ZipFile, keep_location: bool
) -> list[dict[str, Any]]:
    """Write the rows; gives those of photos as they are in the records."""
    photos = []
    info = zipfile.ZipInfo(_LINES)
    info.compress_type = zipfile.ZIP_DEFLATED
    with out.open(info, "w", force_zip64=True) as stream:
        for line in _all_lines(session):
            if line.get("table") == "photo":
                photos.append(line["row"])
                line["row"] = _exported(store, line["row"], keep_location)
            text_line = json.dumps(line, ensure_ascii=False, allow_nan=False, default=_encode)
            stream.write(text_line.encode() + b"\n")
    return photos


def _exported(store: Store, row: dict[str, Any], keep_location: bool) -> dict[str, Any]:
    """The row of a photo as it is in the archive: its file there may lack the place."""
    data = _photo_data(store, row, keep_location)
    digest = hashlib.sha256(data).hexdigest()
    told = "" if digest == row["sha256"] else digest
    return {**row, "bytes_n": len(data), "file_sha256": told}


def _all_lines(session: Session) -> Iterator[dict[str, Any]]:
    yield {"kind": KIND, "version": LATEST}
    for table in _tables():
        for row in _rows(session, table):
            yield {"table": table.name, "row": row}


def read_archive(store: Store, path: str | Path, *, keep_location: bool = False) -> int:
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
    try:
        with zipfile.ZipFile(path) as archive, writing(store) as session:
            _must_be_empty(store, session)
            with archive.open(_LINES) as stream:
                count = _read_lines(session, (line.decode() for line in stream), name)
            for photo in session.scalars(select(PhotoRow).order_by(PhotoRow.id)):
                _read_photo(store, archive, photo, keep_location)
            return count
    except RecordError:
        raise
    except (zipfile.BadZipFile, zlib.error, KeyError, OSError, ValueError, RuntimeError) as error:
        raise RecordError(f"{name}: the archive is damaged: {error}") from error


def _must_be_empty(store: Store, session: Session) -> None:
    for table in _tables():
        if session.execute(select(table.c.id).limit(1)).first() is not None:
            raise RecordError(f"{store.name}: records can only be read into an empty database")


def _read_photo(
    store: Store, archive: zipfile.ZipFile, photo: PhotoRow, keep_location: bool
) -> None:
    target = file_of(store, photo.sha256, photo.suffix)
    info = archive.getinfo(f"photos/{photo.sha256}{photo.suffix}")
    if info.file_size > _LARGEST_PHOTO:
        raise RecordError(f"{info.filename}: {info.file_size} bytes is too large for a photo")
    data = archive.read(info)
    if hashlib.sha256(data).hexdigest() != (photo.file_sha256 or photo.sha256):
        raise RecordError(f"{info.filename}: the photo is not what its row says")
    kept = data if keep_location else without_location(data)
    if kept is not data:
        photo.bytes_n, photo.file_sha256 = len(kept), hashlib.sha256(kept).hexdigest()
    write_whole(target, kept)


def _read_lines(session: Session, lines: Iterable[str], name: str) -> int:
    tables = {t.name: t for t in _tables()}
    count, version = 0, 0
    for number, line in enumerate(lines, start=1):
        where = f"{name}, line {number}"
        try:
            item = json.loads(line)
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
    _set_counters(session)
    return count


def _header(item: dict[str, Any], where: str) -> int:
    version = item.get("version")
    if item.get("kind") != KIND or not isinstance(version, int) or not FIRST <= version <= LATEST:
        raise RecordError(
            f"{where}: expected {KIND!r} of version {FIRST} to {LATEST}, got "
            f"{item.get('kind')!r} of version {version!r}"
        )
    return version


def _set_counters(session: Session) -> None:
    # rows came with their numbers; a server's own counter must go on behind them
    if session.get_bind().dialect.name != "postgresql":
        return
    for table in _tables():
        session.execute(
            text(
                f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), "  # noqa: S608
                f"COALESCE((SELECT MAX(id) FROM {table.name}), 0) + 1, false)"
            )
        )


def write_csv_folder(store: Store, folder: str | Path) -> list[Path]:
    """Write one CSV file a table (UTF-8). Photos are not in it.

    JSON columns hold JSON text. A text that a spreadsheet would take for a formula gets an
    apostrophe in front, which reading takes off again.
    """
    out = Path(folder)
    written = []
    with written_whole(out) as draft, reading(store) as session:
        for table in _tables():
            path = out / f"{table.name}.csv"
            with (draft / path.name).open("w", newline="", encoding="utf-8") as stream:
                writer = csv.writer(stream)
                writer.writerow([c.name for c in table.columns])
                for row in _rows(session, table):
                    writer.writerow([_cell(c, row[c.name]) for c in table.columns])
            written.append(path)
    return written


def _cell(column: Column[Any], value: Any) -> str:
    if value is None:
        return ""
    if isinstance(column.type, JSON):
        return json.dumps(value, ensure_ascii=False, allow_nan=False)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return f"'{value}" if value.startswith(_RISKY) else value
    return value.isoformat() if isinstance(value, date) else repr(value)


def _value(column: Column[Any], cell: str) -> Any:
    if isinstance(column.type, Text):
        return cell[1:] if cell.startswith("'") else cell
    if cell == "":
        return None
    if isinstance(column.type, JSON):
        return json.loads(cell)
    kind = column.type.python_type
    if kind is bool:
        return {"yes": True, "no": False}[cell]
    if kind is date:
        return date.fromisoformat(cell)
    return kind(cell)


def read_csv_folder(store: Store, folder: str | Path) -> int:
    """Read what :func:`write_csv_folder` wrote into records that are empty; returns the rows.

    Photo files are not in CSV: put the photos folder beside the database as well.
    """
    count = 0
    with writing(store) as session:
        _must_be_empty(store, session)
        for table in _tables():
            path = Path(folder) / f"{table.name}.csv"
            if not path.is_file():
                if table.name in _LATER_TABLES:
                    continue
                raise RecordError(f"{path}: missing")
            try:
                with path.open(newline="", encoding="utf-8") as stream:
                    count += _read_csv(session, table, csv.reader(stream), str(path))
            except (OSError, UnicodeDecodeError, csv.Error) as error:
                raise RecordError(f"{path}: cannot be read: {error}") from error
        _set_counters(session)
    return count


def _read_csv(session: Session, table: Table, lines: Iterable[list[str]], name: str) -> int:
    columns = list(table.columns)
    count = 0
    for number, cells in enumerate(lines, start=1):
        if number == 1:
            columns = [c for c in columns if c.name in cells or c.name not in _LATER]
            if cells != [c.name for c in columns]:
                raise RecordError(f"{name}: its first line must name {[c.name for c in columns]}")
            continue
        if len(cells) != len(columns):
            raise RecordError(f"{name}, line {number}: {len(cells)} cells, not {len(columns)}")
        try:
            row = {c.name: _value(c, cell) for c, cell in zip(columns, cells, strict=True)}
        except (ValueError, KeyError, RecursionError) as error:
            raise RecordError(f"{name}, line {number}: cannot be read: {error}") from error
        session.execute(insert(table), row)
        count += 1
    return count
