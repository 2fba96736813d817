"""A :class:`~fruitcount.types.Measurement` as plain JSON values and back, without loss.

One form for files, the database and the screen. NaN becomes ``null``; columns stay columns.

Measured photos as a COCO object-detection object and back, too. COCO (open standard,
cocodataset.org) has places for photos, classes and boxes, and readers pass over keys that they do
not know. All else that was measured lies in one such key, ``fruitcount``, of each image and each
annotation. Of a photo corrected by hand the annotations are the corrected marks; its image then
holds the automatic result besides. What another program changes in the standard's own keys counts:
a box it moved, a class it changed, an annotation it added or took away.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import datetime
from functools import cache
from itertools import repeat
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray

from fruitcount.errors import BadInputError, RecordError, broken_as
from fruitcount.flags import Flag, flag_names, flags_from_names
from fruitcount.types import FloatArray, Fruitlets, Kind, Measurement

T = TypeVar("T")

VERSION = 1
_LATER = ("right_chance",)  # fields that records of earlier versions lack
_PLACES = ("line_px", "corners_px")
_WHEN = datetime | None
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
    hints = _hints(kind)  # type: ignore[arg-type]
    known = {
        f.name: _read(hints[f.name], record[f.name])
        for f in fields(kind)  # type: ignore[arg-type]
        if f.name in record or f.name not in _LATER
    }
    for name in _PLACES:
        if name in known and isinstance(known[name], np.ndarray):
            known[name] = known[name].reshape(-1, 2)
    return kind(**known)


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _read(kind: Any, value: Any) -> Any:
    if kind is Fruitlets:
        return fruitlets_from_dict(value)
    if is_dataclass(kind):
        return read_values(kind, value)  # type: ignore[arg-type]
    if get_origin(kind) is tuple:
        inner = get_args(kind)
        kinds = repeat(inner[0], len(value)) if inner[-1] is ... else inner
        return tuple(_read(k, v) for k, v in zip(kinds, value, strict=True))
    if kind == _WHEN:
        return None if value is None else datetime.fromisoformat(value)
    if get_origin(kind) is np.ndarray:
        return _numbers(value)
    if kind is float:
        return _number(value)
    return flags_from_names(value) if kind is Flag else kind(value)


def _number(value: Any) -> float:
    number = float("nan") if value is None else float(value)
    if abs(number) > _LARGEST:
        raise ValueError(f"number {number!r}")
    return number


def _numbers(values: Any) -> FloatArray:
    """Numbers, or places of several each, None being NaN."""
    out = np.array(list(values), dtype=float)
    if (np.abs(out) > _LARGEST).any():
        raise ValueError(f"number {float(np.nanmax(np.abs(out)))!r}")
    return out


def fruitlets_from_dict(columns: dict[str, Any]) -> Fruitlets:
    """Read back the columns of fruitlets; missing ones are 'not measured'."""
    whole = ("kind", "on_limb", "shoot", "cluster", "by_hand")
    known = {
        name: values if name in whole else _numbers(values) for name, values in columns.items()
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
    with broken_as(RecordError, "a record field is missing or has the wrong type"):
        # earlier versions told no range
        values = {"count_range_n": (None, None), **record, **record["photo"]}
        return read_values(Measurement, values)


# Class names in the order of :class:`fruitcount.types.Kind`.
KIND_NAMES: tuple[str, ...] = tuple(kind.name.lower() for kind in Kind)

_OWN = "fruitcount"

# Of the polygon that stands for a circle: it covers 98.9 % of it.
_CORNERS = 24
# Other programs round boxes to whole pixels; one that differs by more was moved.
_MOVED_PX = 1.0

_NOT_MEASURED = {
    name: values[0] for name, values in plain(Fruitlets.from_columns(x_px=[math.nan])).items()
}


@dataclass(frozen=True, eq=False)
class CocoPhoto:
    """One photo of a COCO object.

    Attributes
    ----------
    seen : Measurement
        What the annotations show. From another program's file: its marks alone, no scale and no
        limb.
    inputs : dict or None
        The grower's answers as JSON values, where they were written.
    file_name : str
        Where the photo's file lies, from the COCO file; empty takes the photo's name.
    automatic : Measurement or None
        What was seen before corrections by hand; None where there were none.
    """

    measurement: Measurement
    inputs: dict[str, Any] | None = None
    file_name: str = ""
    automatic: Measurement | None = None


def edge_boxes(measurement: Measurement) -> tuple[FloatArray, NDArray[np.intp]]:
    """Boxes around the circles, cut at the photo's outer edge.

    Parameters
    ----------
    measurement : Measurement

    Returns
    -------
    boxes : array, shape (N, 4)
        Left, top, right, bottom, measured from the photo's outer top-left corner: the left edge
        of pixel 0 is 0, the right edge of the last pixel is the width.
    index : int array, shape (N,)
        Which fruitlet each box is; circles wholly outside the photo have none.
    """
    f = measurement.fruitlets
    # From "centre of pixel 0 is 0" to "outer edge of pixel 0 is 0".
    x, y = f.x_px + 0.5, f.y_px + 0.5
    raw = np.column_stack([x - f.r_px, y - f.r_px, x + f.r_px, y + f.r_px])
    limits = np.array([measurement.width_px, measurement.height_px] * 2, np.float64)
    boxes = np.clip(raw, 0, limits)
    inside = (boxes[:, 2] > boxes[:, 0]) & (boxes[:, 3] > boxes[:, 1])
    return boxes[inside], np.nonzero(inside)[0]


def coco_object(photos: Sequence[CocoPhoto]) -> dict[str, Any]:
    """Photos, classes and one annotation a fruitlet, as COCO names them.

    Boxes are cut at the photo's edge; a fruitlet wholly outside it is kept with its image.
    Each annotation carries ``circle_px`` [x, y, r] with our origin (centre of the top-left pixel)
    and, where told, ``score`` and ``diameter_mm``.

    Returns
    -------
    dict
        Ready for :func:`json.dumps`; no NaN in it, and no location.
    """
    images: list[dict[str, Any]] = []
    notes: list[dict[str, Any]] = []
    for image_id, photo in enumerate(photos, start=1):
        marks = _annotations(photo.measurement, image_id, len(notes) + 1)
        inside = {note[_OWN]["row"] for note in marks}
        images.append(_image(photo, image_id, inside))
        notes += marks
    return {
        "info": {"description": "Fruitlets marked by fruitcount", "version": "1.0"},
        "licenses": [],
        "images": images,
        "categories": [
            {"id": number + 1, "name": name, "supercategory": "fruitlet"}
            for number, name in enumerate(KIND_NAMES)
        ],
        "annotations": notes,
    }


def _image(photo: CocoPhoto, image_id: int, inside: set[int]) -> dict[str, Any]:
    measurement = photo.measurement
    image: dict[str, Any] = {
        "id": image_id,
        "file_name": photo.file_name or measurement.name,
        "width": measurement.width_px,
        "height": measurement.height_px,
    }
    if measurement.taken_at is not None:
        image["date_captured"] = measurement.taken_at.strftime("%Y-%m-%d %H:%M:%S")
    rest = measurement_to_dict(measurement)
    del rest["fruitlets"]
    rows = _rows(measurement.fruitlets)
    rest["outside"] = [row for row in rows if row["row"] not in inside]
    if photo.inputs is not None:
        rest["inputs"] = plain(photo.inputs)
    if photo.automatic is not None:
        rest["automatic"] = measurement_to_dict(photo.automatic)
    return {**image, _OWN: rest}


def _rows(fruitlets: Fruitlets) -> list[dict[str, Any]]:
    columns = plain(fruitlets)
    return [
        {"row": i, **{name: values[i] for name, values in columns.items()}}
        for i in range(len(fruitlets))
    ]


def _annotations(measurement: Measurement, image_id: int, first_id: int) -> list[dict[str, Any]]:
    boxes, index = edge_boxes(measurement)
    rows = _rows(measurement.fruitlets)
    out = []
    for offset, (box, i) in enumerate(zip(boxes.tolist(), index.tolist(), strict=True)):
        left, top, right, bottom = box
        row = rows[i]
        outline = _outline(row, (measurement.width_px, measurement.height_px))
        note: dict[str, Any] = {
            "id": first_id + offset,
            "image_id": image_id,
            "category_id": row["kind"] + 1,
            "bbox": [left, top, right - left, bottom - top],
            "area": _area(outline),
            "iscrowd": 0,
            "segmentation": [outline.ravel().tolist()],
            "circle_px": [row["x_px"], row["y_px"], row["r_px"]],
        }
        note |= {name: row[name] for name in ("score", "diameter_mm") if row[name] is not None}
        out.append({**note, _OWN: row})
    return out


def _outline(row: dict[str, Any], size: tuple[int, int]) -> FloatArray:
    """The circle as a polygon from the photo's outer corner, cut at its edges."""
    turn = np.arange(_CORNERS) * (2 * math.pi / _CORNERS)
    points = np.stack([np.cos(turn), np.sin(turn)], axis=1) * row["r_px"]
    # beyond one edge the points move straight onto it, which is where the chord lies
    points = np.clip(points + np.array([row["x_px"], row["y_px"]]) + 0.5, 0, size)
    return np.asarray(np.round(points, 2), np.float64)


def _area(outline: FloatArray) -> float:
    x, y = outline.T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


def photos_from_coco(body: Any, name: str = "COCO object") -> list[CocoPhoto]:
    """Read what :func:`coco_object` made, with what another program changed in it.

    Of another program's annotations the circle is the one inside the box, and a class whose name
    is not known is fruit.

    Parameters
    ----------
    body : dict
        As parsed from JSON.

    Raises
    ------
    RecordError
        When it is no such object, or a box is not one.
    """
    with broken_as(RecordError, f"{name}: not a COCO object"):
        classes = {int(c["id"]): str(c["name"]).lower() for c in body["categories"]}
        notes: dict[int, list[dict[str, Any]]] = {int(i["id"]): [] for i in body["images"]}
        for note in body["annotations"]:
            notes[int(note["image_id"])].append(note)
        return [_photo(image, notes[int(image["id"])], classes) for image in body["images"]]


def _photo(
    image: dict[str, Any], notes: list[dict[str, Any]], classes: dict[int, str]
) -> CocoPhoto:
    own = image[_OWN]
    measurement = measurement_from_dict({**own, "fruitlets": {"x_px": []}})
    size = (measurement.width_px, measurement.height_px)
    rows = [*own["outside"], *(_mark(note, classes, size) for note in notes)]
    # ours keep their order; those that another program added come after
    rows.sort(key=lambda row: row.get("row", math.inf))
    columns = {k: [row.get(k, v) for row in rows] for k, v in _NOT_MEASURED.items()}
    measurement = replace(measurement, fruitlets=fruitlets_from_dict(columns))
    first = measurement_from_dict(own["automatic"]) if own.get("automatic") is not None else None
    return CocoPhoto(measurement, own.get("inputs"), str(image["file_name"]), first)


def _mark(note: dict[str, Any], classes: dict[int, str], size: tuple[int, int]) -> dict[str, Any]:
    box = [float(v) for v in note["bbox"]]
    left, top, width, height = box
    # pixel edges in COCO, centre of the top-left pixel here: half a pixel between them
    row: dict[str, Any] = {
        "x_px": left + width / 2 - 0.5,
        "y_px": top + height / 2 - 0.5,
        "r_px": min(width, height) / 2,
        "score": float(note.get("score", 1.0)),
    }
    if not all(map(math.isfinite, box)) or row["r_px"] <= 0:
        raise BadInputError(f"box {note['bbox']!r} holds no circle")
    own = note.get(_OWN)
    if own is not None and _same_place(own, box, size):
        row = dict(own)
    elif own is not None and "row" in own:  # moved: it keeps its turn, and nothing measured
        row["row"] = int(own["row"])
    kind = classes[int(note["category_id"])]
    row["kind"] = int(Kind[kind.upper()]) if kind in KIND_NAMES else int(Kind.FRUIT)
    return row


def _same_place(own: dict[str, Any], box: list[float], size: tuple[int, int]) -> bool:
    """Whether the box is still that of our circle."""
    x, y, r = (float(own[k]) + 0.5 * (k != "r_px") for k in ("x_px", "y_px", "r_px"))
    low = [min(max(v - r, 0.0), most) for v, most in zip((x, y), size, strict=True)]
    high = [min(max(v + r, 0.0), most) for v, most in zip((x, y), size, strict=True)]
    now = [*box[:2], box[0] + box[2], box[1] + box[3]]
    return bool(np.max(np.abs(np.array(now) - [*low, *high])) <= _MOVED_PX)
