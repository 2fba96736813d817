"""A :class:`~fruitcount.types.Measurement` as plain JSON values and back, without loss.

One form for files, the database and the screen. NaN becomes ``null``; columns stay columns.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from itertools import repeat
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

import numpy as np

from fruitcount.errors import RecordError
from fruitcount.flags import Flag, flag_names, flags_from_names
from fruitcount.types import Fruitlets, Measurement

T = TypeVar("T")

VERSION = 1
_LATER = ("right_chance",)  # fields that records of earlier versions lack
_PLACES = ("line_px", "corners_px")
_LARGEST = 1e12  # no pixel or millimetre is near it, and its square is still a number


def plain(value: Any) -> Any:
    """Dataclasses, arrays, tuples, flags and NaN as JSON values (NaN and infinities to None)."""
    if is_dataclass(value):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Flag):
        return flag_names(value)
    if isinstance(value, np.ndarray):
        return [plain(v) for v in value.tolist()]
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    if isinstance(value, datetime):
        return value.isoformat()
    return value


def read_values(kind: type[T], record: Mapping[str, Any]) -> T:
    """A dataclass from what :func:`plain` made of it, each field by the type it is declared with.

    Twenty lines in place of cattrs, which takes 0.16 s at its first use and would need as many for
    arrays, null for NaN, and numbers that are too large.

    Raises
    ------
    KeyError, TypeError, ValueError, OverflowError
        When a field is missing or of the wrong type; other keys are passed over.
    """
    hints = get_type_hints(kind)
    known = {
        f.name: _read(hints[f.name], record[f.name])
        for f in fields(kind)  # type: ignore[arg-type]
        if f.name in record or f.name not in _LATER
    }
    for name in _PLACES:
        if name in known and isinstance(known[name], np.ndarray):
            known[name] = known[name].reshape(-1, 2)
    return kind(**known)


def _read(kind: Any, value: Any) -> Any:
    if kind is Fruitlets:
        return fruitlets_from_dict(value)
    if is_dataclass(kind):
        return read_values(kind, value)  # type: ignore[arg-type]
    if get_origin(kind) is tuple:
        inner = get_args(kind)
        kinds = repeat(inner[0], len(value)) if inner[-1] is ... else inner
        return tuple(_read(k, v) for k, v in zip(kinds, value, strict=True))
    if kind == datetime | None:
        return None if value is None else datetime.fromisoformat(value)
    if get_origin(kind) is np.ndarray:
        return np.array(
            [_read(kind, v) if isinstance(v, list) else _number(v) for v in value], float
        )
    if kind is float:
        return _number(value)
    return flags_from_names(value) if kind is Flag else kind(value)


def _number(value: Any) -> float:
    number = float("nan") if value is None else float(value)
    if abs(number) > _LARGEST:
        raise ValueError(f"number {number!r}")
    return number


def fruitlets_from_dict(columns: dict[str, Any]) -> Fruitlets:
    """Read back the columns of fruitlets; missing ones are 'not measured'."""
    whole = ("kind", "on_limb", "shoot", "cluster", "by_hand")
    known = {
        name: values if name in whole else [_number(v) for v in values]
        for name, values in columns.items()
    }
    return Fruitlets.from_columns(**known)


def measurement_to_dict(measurement: Measurement) -> dict[str, Any]:
    """Everything measured on one photo, as JSON values.

    Returns
    -------
    dict
        Keys ``version``, ``photo``, ``scale``, ``limb``, ``fruitlets``, ``flags``, ``source``.
        Never holds a location.
    """
    values: dict[str, Any] = plain(measurement)
    photo = {n: values.pop(n) for n in ("name", "sha256", "width_px", "height_px", "taken_at")}
    return {"version": VERSION, "photo": photo, **values}


def measurement_from_dict(record: dict[str, Any]) -> Measurement:
    """Read back what :func:`measurement_to_dict` wrote.

    Raises
    ------
    RecordError
        When the version is unknown or a part is missing or of the wrong kind.
    """
    if not isinstance(record, dict):
        raise RecordError(f"record must be an object, got {type(record).__name__}")
    if record.get("version") != VERSION:
        raise RecordError(f"record version must be {VERSION}, got {record.get('version')!r}")
    try:
        # earlier versions told no range
        values = {"count_range_n": (None, None), **record, **record["photo"]}
        return read_values(Measurement, values)
    except KeyError as fault:
        raise RecordError(f"record field {fault} is missing or has an unknown value") from fault
    except (TypeError, ValueError, AttributeError, OverflowError) as fault:
        raise RecordError(f"a record field has the wrong type: {fault}") from fault
