"""Hourly temperatures from a weather station's file, to each tree's heat after bloom."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from datetime import datetime, time, timedelta
from pathlib import Path

from fruitcount.errors import BadInputError
from fruitcount.season.heat import gdh30
from fruitcount.season.orchard import OrchardTree

__all__ = ["heat_by_tree", "read_hourly"]

_HOURS = 24 * 30


def read_hourly(path: str | Path) -> dict[datetime, float]:
    """Read a CSV file with the columns ``time`` (2026-03-18T05:00) and ``temperature_c``.

    Returns
    -------
    dict
        Local hour to degrees C; an empty cell is left out.

    Raises
    ------
    BadInputError
        When a column is missing or a cell cannot be read.
    """
    out = {}
    try:
        with Path(path).open(newline="", encoding="utf-8-sig") as stream:
            reader = csv.DictReader(stream)
            missing = {"time", "temperature_c"} - set(reader.fieldnames or ())
            if missing:
                raise BadInputError(f"{path}: the file needs a column {sorted(missing)}")
            for number, line in enumerate(reader, start=2):
                cell = (line["temperature_c"] or "").strip()
                try:
                    hour = datetime.fromisoformat((line["time"] or "").strip())
                    if cell:
                        out[hour.replace(minute=0, second=0, tzinfo=None)] = float(cell)
                except ValueError as error:
                    raise BadInputError(f"{path}, line {number}: {error}") from error
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise BadInputError(f"{path}: the file cannot be read: {error}") from error
    return out


def heat_by_tree(
    trees: Sequence[OrchardTree], hourly_c: Mapping[datetime, float]
) -> dict[str, float]:
    """Each tree's 30-day heat sum from its day of full bloom on.

    Trees whose 30 days are not over, or of whose hours over a tenth is missing, are left out.

    Parameters
    ----------
    trees : sequence of OrchardTree
    hourly_c : mapping
        From :func:`read_hourly`.
    """
    out = {}
    for tree in trees:
        if tree.bloom_date is None:
            continue
        first = datetime.combine(tree.bloom_date, time())
        hours = [hourly_c.get(first + timedelta(hours=h), math.nan) for h in range(_HOURS)]
        heat = gdh30(hours)
        if math.isfinite(heat):
            out[tree.name] = heat
    return out
