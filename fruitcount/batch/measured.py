"""Every photo's measurement beside the batch's rows: what a plan for its limb needs."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fruitcount.batch.ledger import FileLedger
from fruitcount.errors import RecordError
from fruitcount.measurement_record import measurement_from_dict
from fruitcount.types import Measurement
from fruitcount.whole_files import written_whole

__all__ = ["MeasuredLedger", "measurement_in", "measurement_of"]

_FOLDER = "measured"


class MeasuredLedger(FileLedger):
    """A ledger that puts each photo's measurement into a file of its own, named by its hash.

    Rows stay short that way: a thousand photos are planned from one table.
    """

    def add(self, sha256: str, body: dict[str, Any]) -> bool:
        """Write the measurement, then the row without it."""
        row = dict(body)
        measurement = row.pop("measurement", None)
        if measurement is not None:
            text = json.dumps(measurement, ensure_ascii=False, allow_nan=False)
            with written_whole(self._path.parent / _FOLDER) as draft:
                (draft / f"{sha256}.json").write_text(text, encoding="utf-8")
        return super().add(sha256, row)


def measurement_in(row: Mapping[str, Any]) -> Measurement | None:
    """What a row itself holds as ``measurement``: it, its plain values, or what works it out."""
    held = row.get("measurement")
    if callable(held):
        held = held()
    return held if held is None or isinstance(held, Measurement) else measurement_from_dict(held)


def measurement_of(folder: Path, row: Mapping[str, Any]) -> Measurement | None:
    """A counted photo's measurement from the folder of a batch's results; None when not there.

    Raises
    ------
    RecordError
        When its file is damaged.
    """
    path = folder / _FOLDER / f"{row.get('sha256') or ''}.json"
    if not path.is_file():
        return None
    try:
        return measurement_from_dict(json.loads(path.read_text(encoding="utf-8")))
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        raise RecordError(f"{path}: is not a record of a counted limb") from error
