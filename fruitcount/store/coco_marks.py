"""Marks from a COCO file, ours or another's, to put back on stored photos."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from fruitcount.errors import RecordError
from fruitcount.types import Fruitlets, Kind

__all__ = ["marks_from_coco"]

_MALFORMED = (
    OSError, ValueError, KeyError, TypeError, AttributeError, IndexError, OverflowError,
    RecursionError,
)  # fmt: skip
_KINDS = {kind.name.lower(): kind for kind in Kind}


def marks_from_coco(path: str | Path) -> dict[str, Fruitlets]:
    """Read the marks of every photo in a COCO object-detection file.

    Files that this program wrote come back without loss of position, size, kind and score; of
    other files the circle is the one inside the box, and a class whose name is not known is fruit.

    Returns
    -------
    dict
        File name to its marks; photos without marks have none.

    Raises
    ------
    RecordError
        When it is no such file, or a box is not one.
    """
    try:
        body = json.loads(Path(path).read_text(encoding="utf-8"))
        names = {int(i["id"]): str(i["file_name"]) for i in body["images"]}
        classes = {int(c["id"]): str(c["name"]).lower() for c in body["categories"]}
        marks: dict[str, list[dict[str, float]]] = {name: [] for name in names.values()}
        for note in body["annotations"]:
            marks[names[int(note["image_id"])]].append(_mark(note, classes))
    except _MALFORMED as error:
        reason = f"{type(error).__name__} {error}"
        raise RecordError(f"{path}: not a COCO file that can be read: {reason}") from error
    return {name: _fruitlets(rows) for name, rows in marks.items()}


def _mark(note: dict[str, Any], classes: dict[int, str]) -> dict[str, float]:
    left, top, width, height = (float(v) for v in note["bbox"])
    # pixel edges in COCO, centre of the top-left pixel here: half a pixel between them
    x, y, r = left + width / 2 - 0.5, top + height / 2 - 0.5, min(width, height) / 2
    if "circle_px" in note:
        x, y, r = (float(v) for v in note["circle_px"])
    if not all(map(math.isfinite, (x, y, r))) or r <= 0:
        raise ValueError(f"box {note['bbox']!r} holds no circle")
    kind = _KINDS.get(classes[int(note["category_id"])], Kind.FRUIT)
    return {
        "x_px": x,
        "y_px": y,
        "r_px": r,
        "kind": kind,
        "score": float(note.get("score", 1.0)),
        "diameter_mm": float(note.get("diameter_mm", math.nan)),
    }


def _fruitlets(rows: list[dict[str, float]]) -> Fruitlets:
    names = ("x_px", "y_px", "r_px", "kind", "score", "diameter_mm")
    return Fruitlets.from_columns(**{name: [row[name] for row in rows] for name in names})
