"""A photo's marks down to a low score: what learning looks through. Worker processes use it too."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

from screen_photos import photo_at

from fruitcount.evaluate.predictors import low_marks
from fruitcount.measurement_record import fruitlets_from_dict, plain
from fruitcount.tree.photos import count_key, count_photo
from fruitcount.types import Fruitlets

# of the program and its net: another one finds other marks
_key = cache(count_key)


def wide_marks(path: Path) -> Fruitlets:
    """Marks with a score of 0.05 and more; kept beside the photo once found (about a second)."""
    kept = _kept(path)
    if kept is not None:
        return kept
    marks = low_marks(photo_at(path))
    file = _file(path)
    partial = file.with_name(f"{file.name}.part")
    partial.write_text(json.dumps({"key": _key(), "marks": plain(marks)}))
    partial.replace(file)
    return marks


def has_wide(path: Path) -> bool:
    """Whether the marks are kept beside the photo, found by this program and its net."""
    return _kept(path) is not None


def _file(path: Path) -> Path:
    return path.with_name(f"{path.name}.wide.json")


def _kept(path: Path) -> Fruitlets | None:
    try:
        told = json.loads(_file(path).read_text(encoding="utf-8"))
        return fruitlets_from_dict(told["marks"]) if told["key"] == _key() else None
    except (OSError, ValueError, KeyError, TypeError):
        return None  # not there, or damaged: they are found anew


def find_wide(path: str) -> dict[str, Any]:
    """The same for a worker process."""
    return {"marks_n": len(wide_marks(Path(path)))}


def count_with_wide(path: str) -> dict[str, Any]:
    """Count one photo as a batch does, and find its wide marks."""
    row = count_photo(path, with_measurement=True)
    wide_marks(Path(path))
    return row
