"""Edits and sheets as plain dictionaries, for the browser and the records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from fruitcount.errors import RecordError
from fruitcount.store.mark_edits import Add, Change, Edit, Many, Remove, SetLine, SetScale
from fruitcount.store.marks import Mark, ScaleChoice, Sheet, as_points

__all__ = ["edit_from_json", "edit_to_json", "sheet_from_json", "sheet_to_json"]

_EDITS: dict[str, type[Any]] = {
    "add": Add,
    "remove": Remove,
    "change": Change,
    "line": SetLine,
    "scale": SetScale,
    "many": Many,
}
_NAMES = {kind: name for name, kind in _EDITS.items()}


def edit_to_json(edit: Edit) -> dict[str, Any]:
    """A plain dictionary, ready for JSON."""
    if isinstance(edit, Many):
        return {"edit": "many", "edits": [edit_to_json(one) for one in edit.edits]}
    return {"edit": _NAMES[type(edit)], **asdict(edit)}


def edit_from_json(data: Mapping[str, Any]) -> Edit:
    """Read back what :func:`edit_to_json` wrote.

    Raises
    ------
    RecordError
        When a field is missing, unknown or out of range.
    """
    try:
        name = data["edit"]
        if name in ("add", "remove"):
            edit: Edit = _EDITS[name](_mark(data["mark"]))
        elif name == "change":
            edit = Change(_mark(data["before"]), _mark(data["after"]), str(data["what"]))
        elif name == "line":
            flags = bool(data["before_by_hand"]), bool(data["after_by_hand"])
            edit = SetLine(as_points(data["before"]), as_points(data["after"]), *flags)
        elif name == "scale":
            edit = SetScale(ScaleChoice(**data["before"]), ScaleChoice(**data["after"]))
        elif name == "many":
            edit = Many(tuple(edit_from_json(one) for one in data["edits"]))
        else:
            raise RecordError(f"unknown edit {name!r}")
    except (KeyError, TypeError, ValueError, OverflowError, RecursionError) as error:
        raise RecordError(f"an edit could not be read: {error}") from error
    return edit


def _mark(data: Mapping[str, Any]) -> Mark:
    known = {name: data[name] for name in Mark.__dataclass_fields__}
    return Mark(
        id=str(known["id"]),
        x_px=float(known["x_px"]),
        y_px=float(known["y_px"]),
        r_px=float(known["r_px"]),
        kind=str(known["kind"]),
        on_limb=int(known["on_limb"]),
        score=float(known["score"]),
        by_hand=bool(known["by_hand"]),
    )


def sheet_to_json(sheet: Sheet) -> dict[str, Any]:
    """A plain dictionary, ready for JSON."""
    return asdict(sheet)


def sheet_from_json(data: Mapping[str, Any]) -> Sheet:
    """Read back what :func:`sheet_to_json` wrote.

    Raises
    ------
    RecordError
        When a field is missing, unknown or out of range.
    """
    try:
        return Sheet(
            marks=tuple(_mark(m) for m in data["marks"]),
            line_px=as_points(data["line_px"]),
            line_by_hand=bool(data["line_by_hand"]),
            scale=ScaleChoice(**data["scale"]),
        )
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        raise RecordError(f"a sheet could not be read: {error}") from error
