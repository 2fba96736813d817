"""Records as a folder of CSV tables, or as one COCO file, and back, without loss.

In the COCO file every counted photo is an image with its marks, as the standard has it: those
corrected by hand where there are any, else those of the last automatic result. All other rows lie
in a key of our own, the automatic result and every step of the corrections among them. A mark that
another program moved, added or took away is read back so: on a corrected photo as one more step.
"""

from __future__ import annotations

import csv
import json
from collections import defaultdict
from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import Any

from sqlalchemy import JSON, Column, Table, Text

from fruitcount import measurement_record as record
from fruitcount.corrections.apply import corrected, edit_to, replayed
from fruitcount.corrections.edits import edit_to_json
from fruitcount.errors import FruitcountError, RecordError, broken_as
from fruitcount.files import FORMULA_STARTS, sheet_lines, table_reader, write_table, written_whole
from fruitcount.store import rows
from fruitcount.store.base import Store, reading
from fruitcount.store.photo_record import edits_in_force
from fruitcount.store.photos import file_of
from fruitcount.store.rows import table_rows
from fruitcount.store.tables import FIRST, KIND, RENAMED, EditRow, now_text

# columns and tables that came after the first CSV files were written: they may be missing there
_LATER = ("file_sha256", "harvest_days", "marks")
_LATER_TABLES = ("tuning", "side_count")
_CONTENTS = "contents.csv"
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
    out, told = Path(folder), dict[str, int]()
    with written_whole(out) as draft, reading(store) as session:
        changed = rows.write_photo_folder(store, session, out, keep_location) if photos else {}
        for table in rows.record_tables():
            told[table.name] = 0
            with (draft / f"{table.name}.csv").open("w", newline="", encoding="utf-8") as stream:
                writer = csv.writer(stream)
                writer.writerow([c.name for c in table.columns])
                for kept in table_rows(session, table):
                    row = kept | (changed.get(kept["id"], {}) if table.name == "photo" else {})
                    writer.writerow([_cell(c, row[c.name]) for c in table.columns])
                    told[table.name] += 1
        # a table that lost its last lines looks whole
        lines = [{"table": name, "rows": n} for name, n in told.items()]
        write_table(draft / _CONTENTS, lines, ("table", "rows"))
        rows.read_back(session, lambda copy: read_csv_folder(copy, draft), str(out))
    return [out / f"{name}.csv" for name in told] + [out / _CONTENTS]


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
    return cell if kind is date else kind(cell)


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
    csv.field_size_limit(_LONGEST_CELL)
    lines, beside = _lines(Path(folder)), rows.photos_beside(Path(folder))
    return rows.put_back(store, lines, str(folder), beside, keep_location=keep_location)


def _lines(folder: Path) -> Iterator[dict[str, Any]]:
    """Header and rows. The tables name no version: columns that came later may be missing."""
    yield {"kind": KIND, "version": FIRST}
    contents, told = folder / _CONTENTS, dict[str, str]()
    if contents.is_file():
        told = {row["table"]: row["rows"] for _, row in sheet_lines(contents, ("table", "rows"))}
    for table in rows.record_tables():
        older = (old for old, new in RENAMED.items() if new == table.name)
        paths = [folder / f"{name}.csv" for name in (*older, table.name)]
        path = next(filter(Path.is_file, paths), paths[-1])
        if not path.is_file() and table.name in _LATER_TABLES:
            continue
        try:
            with (
                broken_as(RecordError, f"{path}: cannot be read"),
                path.open(newline="", encoding="utf-8-sig") as stream,
            ):
                reader = table_reader(stream, strict=True)
                least = {c.name for c in table.columns} - set(_LATER)
                if not least <= set(reader.fieldnames or ()):
                    raise RecordError(f"{path}: its first line must name {sorted(least)}")
                count = 0
                for row in reader:
                    count += 1
                    where = f"{path}, line {reader.line_num}"
                    yield {"where": where, "table": table.name, "row": _read(table, row, where)}
                if told.get(table.name, str(count)) != str(count):
                    raise RecordError(
                        f"{path}: has {count} rows, {_CONTENTS} tells of {told[table.name]}: was "
                        f"it cut short? If rows were changed on purpose, take {_CONTENTS} away"
                    )
        except csv.Error as error:
            raise RecordError(f"{path}: cannot be read: {error}") from error


def _read(table: Table, row: dict[str, str], where: str) -> dict[str, Any]:
    if None in row or None in row.values():
        raise RecordError(f"{where}: has more or fewer cells than there are columns")
    with broken_as(RecordError, f"{where}: cannot be read"):
        return {name: _value(table.columns[name], cell) for name, cell in row.items()}


COCO_FILE = "records.coco.json"
_ROWS = "fruitcount_records"


def write_coco_folder(
    store: Store, folder: str | Path, *, photos: bool = False, keep_location: bool = False
) -> list[Path]:
    """Write ``records.coco.json``; see :func:`write_csv_folder`."""
    out = Path(folder)
    with written_whole(out) as draft, reading(store) as session:
        changed = rows.write_photo_folder(store, session, out, keep_location) if photos else {}
        lines = list(rows.all_lines(session, changed))
        body = _coco_of(store, lines)
        text = json.dumps(body, ensure_ascii=False, allow_nan=False, default=rows.encode)
        (draft / COCO_FILE).write_text(text + "\n", encoding="utf-8")
        rows.read_back(session, lambda copy: read_coco_folder(copy, draft), str(out / COCO_FILE))
    return [out / COCO_FILE]


def _coco_of(store: Store, lines: list[dict[str, Any]]) -> dict[str, Any]:
    paths = {
        row["id"]: file_of(store, row["sha256"], row["suffix"]) for row in _rows(lines, "photo")
    }
    inputs = {row["photo_id"]: row["inputs"] for row in _rows(lines, "decision")}
    edits = _edits(lines)
    first: dict[int, dict[str, Any]] = {}  # corrections belong to the first result
    for row in _rows(lines, "measurement"):
        first.setdefault(row["photo_id"], row)
    images: list[record.CocoPhoto] = []
    for photo_id, row in first.items():
        measurement, path = record.measurement_from_dict(row["body"]), paths[photo_id]
        told, mine = inputs.get(photo_id), edits.get(photo_id)
        if record.measurement_to_dict(measurement) != row["body"]:
            continue  # an older body is kept whole among the rows
        shown = corrected(measurement, mine, path, told) if mine else None
        before = None if shown is None else measurement
        images.append(record.CocoPhoto(shown or measurement, told, f"photos/{path.name}", before))
        row["body"] = {"image": len(images)}
    return {**record.coco_object(images), _ROWS: lines}


def _rows(lines: list[dict[str, Any]], table: str) -> Iterator[dict[str, Any]]:
    named = (table, *(old for old, new in RENAMED.items() if new == table))
    return (line["row"] for line in lines if line.get("table") in named)


def _edits(lines: list[dict[str, Any]]) -> dict[int, list[dict[str, Any]]]:
    """The edits in force of every photo whose history is whole."""
    steps: dict[int, list[EditRow]] = defaultdict(list)
    for row in sorted(_rows(lines, "edit"), key=lambda row: row["revision"]):
        steps[row["photo_id"]].append(EditRow(**row))
    edits = {}
    for photo_id, history in steps.items():
        with suppress(RecordError):
            edits[photo_id] = edits_in_force(history)
    return edits


def _changed(
    lines: list[dict[str, Any]], photos: Mapping[int, record.CocoPhoto]
) -> list[dict[str, Any]]:
    """One step more for each corrected photo whose marks another program changed."""
    edits, kept = _edits(lines), list(_rows(lines, "edit"))
    number = max((row["id"] for row in kept), default=0)
    out: list[dict[str, Any]] = []
    for photo_id, photo in photos.items():
        if photo.automatic is None or not edits.get(photo_id):
            continue
        revision = 1 + max(row["revision"] for row in kept if row["photo_id"] == photo_id)
        try:
            sheet = replayed(photo.automatic, edits[photo_id])
        except FruitcountError:  # not of the screen's making
            continue
        edit = edit_to(photo.measurement.fruitlets, sheet, f"hcoco{revision}-")
        if edit is not None:
            body = [{"client": "coco", "seq": revision, **edit_to_json(edit)}]
            row = {"id": number + len(out) + 1, "photo_id": photo_id, "revision": revision}
            row |= {"kind": "edit", "body": body, "made_at": now_text()}
            out.append({"table": "edit", "row": row})
    return out


def read_coco_folder(store: Store, folder: str | Path, *, keep_location: bool = False) -> int:
    """Read what :func:`write_coco_folder` wrote into records that are empty; returns the rows.

    Raises
    ------
    RecordError
        When the records are not empty, or the file is no export of this program.
    """
    path = Path(folder) / COCO_FILE
    with broken_as(RecordError, f"{path}: is no export of the records"):
        body = json.loads(path.read_text(encoding="utf-8"))
        lines = list(body[_ROWS])
        photos = record.photos_from_coco(body, str(path))
        drawn: dict[int, record.CocoPhoto] = {}
        for row in _rows(lines, "measurement"):
            if set(row["body"]) == {"image"}:
                photo = photos[int(row["body"]["image"]) - 1]
                drawn[row["photo_id"]] = photo
                row["body"] = record.measurement_to_dict(photo.automatic or photo.measurement)
        lines += _changed(lines, drawn)
    return rows.put_back(
        store, lines, str(path), rows.photos_beside(path.parent), keep_location=keep_location
    )
