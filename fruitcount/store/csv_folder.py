"""Records as a folder of CSV tables and back, without loss."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Any

from sqlalchemy import JSON, Column, Table, Text, insert
from sqlalchemy.orm import Session

from fruitcount.csv_table import FORMULA_STARTS
from fruitcount.errors import RecordError
from fruitcount.files import written_whole
from fruitcount.store.base import Store, reading, writing
from fruitcount.store.rows import (
    checked,
    must_be_empty,
    read_back,
    read_photo_folder,
    record_tables,
    set_counters,
    table_rows,
    write_photo_folder,
)

# columns and tables that came after the first CSV files were written: they may be missing there
_LATER = ("file_sha256", "harvest_days")
_LATER_TABLES = ("tuning", "side_count")
# a spreadsheet takes a text that starts like this for a formula
_RISKY = (*FORMULA_STARTS, "'")
# the module's own limit of 131,072 signs is passed by the marks of one dense limb
_LONGEST_CELL = 16 * 1024 * 1024


def write_csv_folder(
    store: Store, folder: str | Path, *, photos: bool = False, keep_location: bool = False
) -> list[Path]:
    """Write one CSV file a table (UTF-8), and read them back before they are there.

    JSON columns hold JSON text. A text that a spreadsheet would take for a formula gets an
    apostrophe in front, which reading takes off again.

    Parameters
    ----------
    store : Store
    folder : str or Path
    photos : bool
        True writes the photo files too, into ``photos/``.
    keep_location : bool
        True leaves the GPS position in the photo files.
    """
    out = Path(folder)
    written = []
    with written_whole(out) as draft, reading(store) as session:
        changed = write_photo_folder(store, session, out, keep_location) if photos else {}
        for table in record_tables():
            path = out / f"{table.name}.csv"
            with (draft / path.name).open("w", newline="", encoding="utf-8") as stream:
                writer = csv.writer(stream)
                writer.writerow([c.name for c in table.columns])
                for kept in table_rows(session, table):
                    row = kept | (changed.get(kept["id"], {}) if table.name == "photo" else {})
                    writer.writerow([_cell(c, row[c.name]) for c in table.columns])
            written.append(path)
        read_back(session, lambda copy: read_csv_folder(copy, draft), str(out))
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


def read_csv_folder(store: Store, folder: str | Path, *, keep_location: bool = False) -> int:
    """Read what :func:`write_csv_folder` wrote into records that are empty; returns the rows.

    Without photo files in it, put the photos folder beside the database as well.

    Parameters
    ----------
    store : Store
    folder : str or Path
    keep_location : bool
        True leaves the GPS position in the photo files.
    """
    count = 0
    csv.field_size_limit(_LONGEST_CELL)
    with writing(store) as session:
        must_be_empty(store, session)
        for table in record_tables():
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
        set_counters(session)
        read_photo_folder(store, session, Path(folder), keep_location)
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
        except (ValueError, KeyError, RecursionError, OverflowError) as error:
            raise RecordError(f"{name}, line {number}: cannot be read: {error}") from error
        session.execute(insert(table), checked(table, row, f"{name}, line {number}"))
        count += 1
    return count
