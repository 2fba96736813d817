"""A :class:`~fruitcount.types.Measurement` as plain JSON values and back, without loss.

One form for files, the database and the screen. NaN becomes ``null``; columns stay columns.
"""

from __future__ import annotations

from dataclasses import fields
from datetime import datetime
from typing import Any

import numpy as np

from fruitcount.errors import RecordError
from fruitcount.flags import flag_names, flags_from_names
from fruitcount.types import CIRCLE_COLUMNS, Fruitlets, Limb, Measurement, Scale, Shoot

__all__ = [
    "SEEN_VERSION",
    "fruitlets_from_dict",
    "fruitlets_to_dict",
    "measurement_from_dict",
    "measurement_to_dict",
    "plain",
]

SEEN_VERSION = 1
_LARGEST = 1e12  # no pixel or millimetre is near it, and its square is still a number


def plain(value: Any) -> Any:
    """Turn arrays, NumPy scalars, tuples and NaN into JSON values (NaN and infinities to None)."""
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


def _number(value: Any) -> float:
    number = float("nan") if value is None else float(value)
    if abs(number) > _LARGEST:
        raise ValueError(f"number {number!r}")
    return number


def _pair(values: Any) -> tuple[float, float]:
    low, high = values
    return _number(low), _number(high)


def _array(values: Any, columns: int = 0) -> Any:
    out = np.array(
        [[_number(v) for v in row] if columns else _number(row) for row in values], dtype=float
    )
    return out.reshape(-1, columns) if columns else out


def fruitlets_to_dict(fruitlets: Fruitlets) -> dict[str, list[Any]]:
    """Columns of the fruitlets as plain lists."""
    return {name: plain(getattr(fruitlets, name)) for name in CIRCLE_COLUMNS}


def fruitlets_from_dict(columns: dict[str, Any]) -> Fruitlets:
    """Read back what :func:`fruitlets_to_dict` wrote; missing columns are 'not measured'."""
    known = {}
    for name, values in columns.items():
        if name in ("kind", "on_limb", "shoot", "cluster", "by_hand"):
            known[name] = values
        else:
            known[name] = [_number(v) for v in values]
    return Fruitlets.from_columns(**known)


def _flat(thing: Any, skip: tuple[str, ...]) -> dict[str, Any]:
    return {f.name: plain(getattr(thing, f.name)) for f in fields(thing) if f.name not in skip}


def measurement_to_dict(measurement: Measurement) -> dict[str, Any]:
    """Everything measured on one photo, as JSON values.

    Returns
    -------
    dict
        Keys ``version``, ``photo``, ``scale``, ``limb``, ``fruitlets``, ``flags``, ``source``.
        Never holds a location.
    """
    return {
        "version": SEEN_VERSION,
        "photo": {
            "name": measurement.name,
            "sha256": measurement.sha256,
            "width_px": measurement.width_px,
            "height_px": measurement.height_px,
            "taken_at": plain(measurement.taken_at),
        },
        "scale": _flat(measurement.scale, ("flags",))
        | {"flags": flag_names(measurement.scale.flags)},
        "limb": _flat(measurement.limb, ("flags", "shoots"))
        | {
            "flags": flag_names(measurement.limb.flags),
            "shoots": [_flat(shoot, ()) for shoot in measurement.limb.shoots],
        },
        "fruitlets": fruitlets_to_dict(measurement.fruitlets),
        "flags": flag_names(measurement.flags),
        "source": measurement.source,
        "count_range_n": plain(measurement.count_range_n),
    }


def _scale(d: dict[str, Any]) -> Scale:
    return Scale(
        px_per_mm=_number(d["px_per_mm"]),
        rel_sd_frac=_number(d["rel_sd_frac"]),
        source=str(d["source"]),
        corners_px=_array(d["corners_px"], 2),
        side_mm=_number(d["side_mm"]),
        card_id=int(d["card_id"]),
        tilt_deg=_number(d["tilt_deg"]),
        flags=flags_from_names(d["flags"]),
    )


def _limb(d: dict[str, Any]) -> Limb:
    return Limb(
        line_px=_array(d["line_px"], 2),
        width_px=_array(d["width_px"]),
        length_px=_number(d["length_px"]),
        length_mm=_number(d["length_mm"]),
        base_diameter_mm=_number(d["base_diameter_mm"]),
        tip_diameter_mm=_number(d["tip_diameter_mm"]),
        diameter_rel_sd_frac=_number(d["diameter_rel_sd_frac"]),
        shoots=tuple(
            Shoot(
                line_px=_array(s["line_px"], 2),
                fork_along_px=_number(s["fork_along_px"]),
                base_diameter_mm=_number(s["base_diameter_mm"]),
            )
            for s in d["shoots"]
        ),
        diameter_source=str(d["diameter_source"]),
        by_hand=bool(d["by_hand"]),
        right_chance=_number(d.get("right_chance")),  # records before it was told lack it
        flags=flags_from_names(d["flags"]),
    )


def measurement_from_dict(record: dict[str, Any]) -> Measurement:
    """Read back what :func:`measurement_to_dict` wrote.

    Raises
    ------
    RecordError
        When the version is unknown or a part is missing or of the wrong kind.
    """
    if not isinstance(record, dict):
        raise RecordError(f"record must be an object, got {type(record).__name__}")
    if record.get("version") != SEEN_VERSION:
        raise RecordError(f"record version must be {SEEN_VERSION}, got {record.get('version')!r}")
    try:
        photo = record["photo"]
        taken = photo["taken_at"]
        return Measurement(
            name=str(photo["name"]),
            sha256=str(photo["sha256"]),
            width_px=int(photo["width_px"]),
            height_px=int(photo["height_px"]),
            taken_at=None if taken is None else datetime.fromisoformat(taken),
            scale=_scale(record["scale"]),
            fruitlets=fruitlets_from_dict(record["fruitlets"]),
            limb=_limb(record["limb"]),
            flags=flags_from_names(record["flags"]),
            source=str(record["source"]),
            count_range_n=_pair(record.get("count_range_n") or (None, None)),  # earlier: none
        )
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as fault:
        raise RecordError(f"the record's {fault} is missing or not of its kind") from fault
