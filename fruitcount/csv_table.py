"""Tables as CSV (RFC 4180): the one reader of typed sheets, the one writer of tables.

What is written a spreadsheet may open, and it reads back as it was.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from fruitcount.errors import BadInputError, NotWrittenError
from fruitcount.files import shown_name, written_whole

# ours: many times the largest orchard that is kept with this; what is read is held in memory
MOST_LINES = 100_000


def table_lines(path: str | Path, most_n: int = MOST_LINES) -> Iterator[tuple[str, dict[str, str]]]:
    """Where each line stands, and its cells without blanks round them.

    The first has the names of the columns. Commas, semicolons or tabs part the cells, whichever
    the first line has most of; a byte order mark is left out; a cell that lacks is empty.

    Parameters
    ----------
    path : str or Path
        UTF-8.
    most_n : int
        Lines read at most.

    Raises
    ------
    BadInputError
        When it cannot be read, has more lines than that, or a line has more cells than there are
        columns.
    """
    try:
        with Path(path).open(newline="", encoding="utf-8-sig") as stream:
            first = stream.readline(1 << 16)
            stream.seek(0)
            reader = csv.DictReader(stream, delimiter=max(",;\t", key=first.count))
            yield str(path), dict.fromkeys((n.strip() for n in reader.fieldnames or ()), "")
            for number, line in enumerate(reader, start=1):
                if number > most_n:
                    raise BadInputError(f"{path}: has over {most_n} lines: part it in several")
                where = f"{path}, line {reader.line_num}"
                if None in line:
                    raise BadInputError(
                        f"{where}: has more cells than there are columns; with decimal commas, "
                        "part the cells by semicolons"
                    )
                yield where, {str(k).strip(): str(v or "").strip() for k, v in line.items()}
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise BadInputError(f"{path}: the sheet cannot be read: {error}") from error


def sheet_lines(path: str | Path, needed: tuple[str, ...]) -> Iterator[tuple[str, dict[str, str]]]:
    """The lines of :func:`table_lines` below the first, of a sheet that must have some columns.

    Raises
    ------
    BadInputError
        When a column is missing or the sheet cannot be read.
    """
    lines = table_lines(path)
    missing = set(needed) - set(next(lines)[1])
    if missing:
        raise BadInputError(f"{path}: the sheet needs a column {sorted(missing)}")
    yield from lines


def number_in(cell: str) -> float:
    """A number with a point or a decimal comma; ValueError where it is none."""
    return float(cell.replace(",", "."))


FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""First characters by which spreadsheets take a text for a formula."""


def safe_cell(value: Any) -> Any:
    """Keep a text from being run as a formula: a risky first character gets a quote before it."""
    if isinstance(value, str) and value[:1] in FORMULA_STARTS:
        return "'" + value
    return value


def write_table(path: Path, rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> Path:
    """Write rows with a header (UTF-8) and read them back; what is not known is an empty cell.

    Parameters
    ----------
    path : Path
        Its folder is made.
    rows : iterable of mapping
        Such as :meth:`fruitcount.results.ResultRow.values`.
    columns : sequence of str
    """
    with (
        written_whole(path.parent) as draft,
        (draft / path.name).open("w", newline="", encoding="utf-8") as file,
    ):
        lines = [list(columns), *([_cell(row.get(name)) for name in columns] for row in rows)]
        csv.writer(file).writerows(lines)
        file.flush()
        with (draft / path.name).open(newline="", encoding="utf-8") as again:
            if list(csv.reader(again)) != [[str(cell) for cell in line] for line in lines]:
                raise NotWrittenError(str(path), "it does not read back as it was written")
    return path


def _cell(value: Any) -> Any:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return round(value, 4)
    if isinstance(value, list | tuple):
        return " ".join(str(v) for v in value)
    if not isinstance(value, str):
        return value
    name = shown_name(value, longest=2000)
    # an apostrophe of its own is doubled, so that reading takes off the one put there
    return f"'{name}" if name.startswith("'") else safe_cell(name)
