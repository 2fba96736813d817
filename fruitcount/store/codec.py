"""``Seen`` to plain JSON values and back, without loss.

NaN ("could not tell") is written as null, because JSON has no NaN. Floats are written in full, so
that reading back gives the same bits.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any

import numpy as np

from fruitcount.errors import RecordError
from fruitcount.flags import flag_names, flags_from_names
from fruitcount.types import CIRCLE_COLUMNS, Fruitlets, Limb, Scale, Seen, Shoot

__all__ = ["CODEC_VERSION", "plain", "seen_from_dict", "seen_to_dict"]

CODEC_VERSION = 1


def plain(value: Any) -> Any:
    """Numpy numbers and arrays as Python ones, NaN as None, at any depth."""
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    return value


def seen_to_dict(seen: Seen) -> dict[str, Any]:
    """All of a :class:`~fruitcount.types.Seen` as JSON values."""
    scale, limb = seen.scale, seen.limb
    return {
        "codec": CODEC_VERSION,
        "name": seen.name,
        "sha256": seen.sha256,
        "width_px": seen.width_px,
        "height_px": seen.height_px,
        "taken_at": seen.taken_at.isoformat() if seen.taken_at else None,
        "flags": flag_names(seen.flags),
        "source": seen.source,
        "scale": plain(
            {
                "px_per_mm": scale.px_per_mm,
                "rel_sd_frac": scale.rel_sd_frac,
                "source": scale.source,
                "corners_px": scale.corners_px,
                "side_mm": scale.side_mm,
                "card_id": scale.card_id,
                "tilt_deg": scale.tilt_deg,
                "flags": flag_names(scale.flags),
            }
        ),
        "fruitlets": {c: plain(getattr(seen.fruitlets, c)) for c in CIRCLE_COLUMNS},
        "limb": plain(
            {
                "line_px": limb.line_px,
                "width_px": limb.width_px,
                "length_px": limb.length_px,
                "length_mm": limb.length_mm,
                "base_diameter_mm": limb.base_diameter_mm,
                "tip_diameter_mm": limb.tip_diameter_mm,
                "diameter_rel_sd_frac": limb.diameter_rel_sd_frac,
                "diameter_source": limb.diameter_source,
                "by_hand": limb.by_hand,
                "flags": flag_names(limb.flags),
                "shoots": [
                    {
                        "line_px": s.line_px,
                        "fork_along_px": s.fork_along_px,
                        "base_diameter_mm": s.base_diameter_mm,
                    }
                    for s in limb.shoots
                ],
            }
        ),
    }


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


def _points(value: Any) -> np.ndarray[Any, Any]:
    return np.array([[_number(c) for c in row] for row in value], dtype=np.float64).reshape(-1, 2)


def _column(value: Any) -> list[Any]:
    return [math.nan if v is None else v for v in value]


def _scale(body: dict[str, Any]) -> Scale:
    return Scale(
        px_per_mm=_number(body["px_per_mm"]),
        rel_sd_frac=_number(body["rel_sd_frac"]),
        source=str(body["source"]),
        corners_px=_points(body["corners_px"]),
        side_mm=_number(body["side_mm"]),
        card_id=int(body["card_id"]),
        tilt_deg=_number(body["tilt_deg"]),
        flags=flags_from_names(body["flags"]),
    )


def _limb(body: dict[str, Any]) -> Limb:
    return Limb(
        line_px=_points(body["line_px"]),
        width_px=np.array(_column(body["width_px"]), dtype=np.float64),
        length_px=_number(body["length_px"]),
        length_mm=_number(body["length_mm"]),
        base_diameter_mm=_number(body["base_diameter_mm"]),
        tip_diameter_mm=_number(body["tip_diameter_mm"]),
        diameter_rel_sd_frac=_number(body["diameter_rel_sd_frac"]),
        shoots=tuple(
            Shoot(
                _points(s["line_px"]),
                _number(s["fork_along_px"]),
                _number(s["base_diameter_mm"]),
            )
            for s in body["shoots"]
        ),
        diameter_source=str(body["diameter_source"]),
        by_hand=bool(body["by_hand"]),
        flags=flags_from_names(body["flags"]),
    )


def seen_from_dict(body: dict[str, Any]) -> Seen:
    """Read back what :func:`seen_to_dict` wrote.

    Raises
    ------
    RecordError
        When a part is missing, of the wrong kind, or of a newer version.
    """
    try:
        if body["codec"] != CODEC_VERSION:
            raise RecordError(f"record of a photo: version {body['codec']!r} is not known")
        taken = body["taken_at"]
        return Seen(
            name=str(body["name"]),
            sha256=str(body["sha256"]),
            width_px=int(body["width_px"]),
            height_px=int(body["height_px"]),
            taken_at=datetime.fromisoformat(taken) if taken else None,
            scale=_scale(body["scale"]),
            fruitlets=Fruitlets.from_columns(
                **{name: _column(values) for name, values in body["fruitlets"].items()}
            ),
            limb=_limb(body["limb"]),
            flags=flags_from_names(body["flags"]),
            source=str(body["source"]),
        )
    except RecordError:
        raise
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise RecordError(
            f"record of a photo is damaged: {type(error).__name__} {error}"
        ) from error
