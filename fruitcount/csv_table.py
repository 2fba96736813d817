"""Lines of a CSV sheet, each with the place to name in an error: the one reader of typed tables."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

from fruitcount.errors import BadInputError

__all__ = ["number_in", "sheet_lines", "table_lines"]


def table_lines(path: str | Path) -> Iterator[tuple[str, dict[str, str]]]:
    """Where each line stands, and its cells without blanks round them.

    The first has the names of the columns. Commas, semicolons or tabs part the cells, whichever
    the first line has most of; a byte order mark is left out; a cell that lacks is empty.

    Parameters
    ----------
    path : str or Path
        UTF-8.

    Raises
    ------
    BadInputError
        When it cannot be read, or a line has more cells than there are columns.
    """
    try:
        with Path(path).open(newline="", encoding="utf-8-sig") as stream:
            first = stream.readline()
            stream.seek(0)
            reader = csv.DictReader(stream, delimiter=max(",;\t", key=first.count))
            yield str(path), dict.fromkeys((n.strip() for n in reader.fieldnames or ()), "")
            for line in reader:
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
