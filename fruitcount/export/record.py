"""One result as a record: our own JSON with every reason, and its marks as COCO, YOLO or VOC."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

import numpy as np

from fruitcount import __version__
from fruitcount.errors import NotWrittenError
from fruitcount.export.words import fruit_actions
from fruitcount.flags import CAUTIONS_SHORT, Flag, flag_names
from fruitcount.measurement_record import (
    KIND_NAMES,
    CocoPhoto,
    coco_object,
    edge_boxes,
    measurement_to_dict,
    photos_from_coco,
    plain,
)
from fruitcount.pipeline import Decision, Result
from fruitcount.plan.result import Plan
from fruitcount.types import Measurement

if TYPE_CHECKING:
    from fruitcount.views import JoinedLimb

# null, not 0, where the photo did not tell the count
_COUNTS = ("crop_count", "yellowing_count", "keep_count", "off_count")


def _plan(plan: Plan) -> dict[str, Any]:
    out: dict[str, Any] = plain(plan) | {"off_count": plan.off_count}
    if Flag.COUNT_UNKNOWN in plan.flags:
        out |= dict.fromkeys(_COUNTS)
    del out["first_pass"], out["target"]["reasons"]
    return out


def result_to_dict(result: Result) -> dict[str, Any]:
    """One result as JSON values; see :func:`fruitcount.measurement_record.measurement_to_dict`.

    Returns
    -------
    dict
        Keys ``fruitcount`` (version), ``answer``, ``caution``, ``measurement``, ``inputs``,
        ``fruit_actions``, ``plan``, ``load``, ``left_standing`` (for the second pass), ``flags``,
        ``warnings``. Holds no location.
    """
    decision = result.decision
    return {
        "fruitcount": __version__,
        "answer": decision.plan.answer,
        "caution": " ".join(CAUTIONS_SHORT),
        "measurement": measurement_to_dict(result.measurement),
        "inputs": plain(decision.inputs),
        "fruit_actions": fruit_actions(result.measurement.fruitlets, result.decision.plan),
        "plan": _plan(decision.plan),
        "choices": plain(decision.choices),
        "load": plain(decision.load),
        "left_standing": _left_standing(decision),
        "flags": flag_names(decision.flags),
        "warnings": list(decision.warnings),
    }


def _left_standing(decision: Decision) -> dict[str, Any]:
    kept = decision.plan.first_pass
    first: dict[str, Any] = plain(kept) if kept is not None else {}
    return first | ({"kept_count": None} if Flag.COUNT_UNKNOWN in decision.flags else {})


def write_record(path: Path, result: Result) -> None:
    """Write the record as UTF-8 JSON, NaN as null."""
    text = json.dumps(result_to_dict(result), indent=1, allow_nan=False, ensure_ascii=False)
    path.write_text(text + "\n", encoding="utf-8")


def write_coco(photos: Sequence[CocoPhoto], path: str | Path) -> Path:
    """Write one json for all photos (see :func:`.coco_object`) and read it back.

    Raises
    ------
    NotWrittenError
        When what is read differs from what was measured.
    """
    target = Path(path)
    text = json.dumps(coco_object(photos), indent=1, allow_nan=False)
    target.write_text(text, encoding="utf-8")
    again = photos_from_coco(json.loads(target.read_text(encoding="utf-8")))
    told, wanted = ([measurement_to_dict(p.measurement) for p in side] for side in (again, photos))
    if told != wanted:
        raise NotWrittenError(target.name, "it does not read back as it was written")
    return target


def write_coco_of(result: Result, path: Path) -> None:
    """Write one result's marks, with the grower's answers."""
    write_coco([CocoPhoto(result.measurement, plain(result.decision.inputs))], path)


def joined_record(joined: JoinedLimb, result: Result) -> dict[str, Any]:
    """The limb's record, with each photo's marks and the number of the fruit that each shows."""
    seen = joined.seen_on.tolist()
    photos = [
        {
            "name": photo.name,
            "sha256": photo.sha256,
            "fruit_numbers": [int(row) + 1 if row >= 0 else None for row in rows],
        }
        for photo, rows in zip(joined.photos, joined.fruit, strict=True)
    ]
    return result_to_dict(result) | {"photos": photos, "seen_on_photos": seen}


def joined_coco(joined: JoinedLimb, result: Result) -> dict[str, Any]:
    """All photos in COCO's format; annotations with one ``track_id`` show one fruit."""
    inputs = plain(result.decision.inputs)
    record = coco_object([CocoPhoto(photo, inputs) for photo in joined.photos])
    both = zip(joined.photos, joined.fruit, strict=True)
    numbers = np.concatenate([rows[edge_boxes(photo)[1]] + 1 for photo, rows in both])
    for annotation, number in zip(record["annotations"], numbers.tolist(), strict=True):
        annotation["track_id"] = number or None
    return record


def write_yolo(result: Result, path: Path) -> None:
    """Write :func:`yolo_text`."""
    path.write_text(yolo_text(result.measurement), encoding="utf-8")


def write_voc(result: Result, path: Path) -> None:
    """Write :func:`voc_xml`."""
    path.write_text(voc_xml(result.measurement), encoding="utf-8")


def yolo_text(measurement: Measurement) -> str:
    """Lines of class, centre x, centre y, width, height, as shares of the photo.

    Boxes are cut at the photo's edge. A photo without fruit gives an empty text.
    """
    boxes, index = edge_boxes(measurement)
    size = np.array([measurement.width_px, measurement.height_px], np.float64)
    centre = (boxes[:, :2] + boxes[:, 2:]) / 2 / size
    side = (boxes[:, 2:] - boxes[:, :2]) / size
    rows = np.column_stack([measurement.fruitlets.kind[index], centre, side])
    text = StringIO()
    # Seven places: a hundredth of a pixel on a photo 100 000 pixels wide.
    np.savetxt(text, rows, fmt="%d" + 4 * " %.7f")
    return text.getvalue()


def voc_xml(measurement: Measurement) -> str:
    """One annotation: whole-pixel corners, 1-based and both included, as VOC2012 has them.

    Boxes are cut at the photo's edge; those that were are marked ``truncated``.
    """
    boxes, index = edge_boxes(measurement)
    things = []
    for box, i in zip(boxes.tolist(), index.tolist(), strict=True):
        side = 2 * float(measurement.fruitlets.r_px[i])
        corners = zip(("xmin", "ymin", "xmax", "ymax"), _whole(box), strict=True)
        thing = {
            "name": KIND_NAMES[int(measurement.fruitlets.kind[i])],
            "pose": "Unspecified",
            "truncated": int(min(box[2] - box[0], box[3] - box[1]) < side - 1e-6),
            "difficult": 0,
            "bndbox": _tag("bndbox", **dict(corners)),
        }
        things.append(_tag("object", **thing))
    size = _tag("size", width=measurement.width_px, height=measurement.height_px, depth=3)
    name = "".join(c for c in measurement.name if c.isprintable())  # xml 1.0 holds nothing else
    root = _tag("annotation", filename=name, size=size, segmented=0)
    root.extend(things)
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode") + "\n"


def _tag(kind: str, /, **parts: Any) -> ElementTree.Element:
    """An element with its parts in order: each an element, or the text of one of that name."""
    element = ElementTree.Element(kind)
    for key, value in parts.items():
        if isinstance(value, ElementTree.Element):
            element.append(value)
        else:
            ElementTree.SubElement(element, key).text = str(value)
    return element


def _whole(box: list[float]) -> tuple[int, int, int, int]:
    """Outer edges (0 to width) to numbers of the first and last pixel covered, from 1."""
    # A sliver at the far edge stays on the last pixel it touches.
    left = min(round(box[0]) + 1, math.ceil(box[2]))
    top = min(round(box[1]) + 1, math.ceil(box[3]))
    return left, top, max(left, round(box[2])), max(top, round(box[3]))
