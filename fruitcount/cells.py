"""Tables as CSV (RFC 4180) that a spreadsheet may open and that read back as they were."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from fruitcount.names import shown_name
from fruitcount.whole_files import written_whole

__all__ = ["FORMULA_STARTS", "safe_cell", "write_table"]

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""First characters by which spreadsheets take a text for a formula."""


def safe_cell(value: Any) -> Any:
    """Keep a text from being run as a formula: a risky first character gets a quote before it."""
    if isinstance(value, str) and value[:1] in FORMULA_STARTS:
        return "'" + value
    return value


def write_table(path: Path, rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> Path:
    """Write rows with a header (UTF-8); what is missing or not known is an empty cell.

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
        writer = csv.writer(file)
        writer.writerow(columns)
        for row in rows:
            writer.writerow([_cell(row.get(name)) for name in columns])
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
