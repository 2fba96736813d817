"""Trees of an orchard from a CSV sheet, for who keeps no records with the screen."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import fields
from datetime import date
from pathlib import Path
from typing import Any

from fruitcount.errors import BadInputError
from fruitcount.season.orchard import OrchardTree

__all__ = ["COLUMNS", "read_trees"]

COLUMNS = tuple(f.name for f in fields(OrchardTree))
_NUMBERS = ("trunk_circumference_mm", "size_mm")
_WHOLE = ("planted_year", "ripening_month")
_DATES = ("bloom_date", "first_pass_on", "second_pass_on")
_YES = {"yes": True, "no": False, "": False}


def read_trees(path: str | Path) -> list[OrchardTree]:
    """Read a sheet with a column ``name`` and any of the others of :data:`COLUMNS`.

    Dates read 2026-03-18; ``southern`` and ``leave_it`` are yes or no; empty means not told.

    Raises
    ------
    BadInputError
        When a column is not known, a cell cannot be read, or a name comes twice.
    """
    out: dict[str, OrchardTree] = {}
    try:
        with Path(path).open(newline="", encoding="utf-8-sig") as stream:
            reader = csv.DictReader(stream)
            names = list(reader.fieldnames or ())
            if "name" not in names or not set(names) <= set(COLUMNS):
                raise BadInputError(
                    f"{path}: columns must be name and any of {', '.join(COLUMNS[1:])}, got {names}"
                )
            for number, line in enumerate(reader, start=2):
                tree = _tree(line, f"{path}, line {number}")
                if out.setdefault(tree.name, tree) is not tree:
                    raise BadInputError(f"{path}, line {number}: {tree.name} comes twice")
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise BadInputError(f"{path}: the sheet cannot be read: {error}") from error
    return list(out.values())


def _tree(line: Mapping[str, Any], where: str) -> OrchardTree:
    facts: dict[str, Any] = {}
    try:
        for name in COLUMNS:
            cell = str(line.get(name) or "").strip()
            if name in ("southern", "leave_it"):
                facts[name] = _YES[cell.lower()]
            elif name in _NUMBERS or name in _WHOLE:
                facts[name] = None if not cell else int(cell) if name in _WHOLE else float(cell)
            elif name in _DATES:
                facts[name] = date.fromisoformat(cell) if cell else None
            else:
                facts[name] = cell
        return OrchardTree(**facts)
    except KeyError as error:
        raise BadInputError(f"{where}: must be yes or no, got {error}") from error
    except ValueError as error:
        raise BadInputError(f"{where}: {error}") from error
