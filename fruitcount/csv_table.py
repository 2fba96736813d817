"""Lines of a CSV sheet that a keeper typed, each with the place to name in an error."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

from fruitcount.errors import BadInputError

__all__ = ["sheet_lines"]


def sheet_lines(path: str | Path, needed: tuple[str, ...]) -> Iterator[tuple[str, dict[str, str]]]:
    """Where each line stands, and its cells without blanks round them; empty where not given.

    Parameters
    ----------
    path : str or Path
        UTF-8, with or without a byte order mark.
    needed : tuple of str
        Columns that the sheet must have.

    Raises
    ------
    BadInputError
        When a column is missing or the sheet cannot be read.
    """
    try:
        with Path(path).open(newline="", encoding="utf-8-sig") as stream:
            reader = csv.DictReader(stream)
            missing = set(needed) - set(reader.fieldnames or ())
            if missing:
                raise BadInputError(f"{path}: the sheet needs a column {sorted(missing)}")
            for number, line in enumerate(reader, start=2):
                row = {str(k): str(v or "").strip() for k, v in line.items() if k is not None}
                yield f"{path}, line {number}", row
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise BadInputError(f"{path}: the sheet cannot be read: {error}") from error
