"""Write counted photos as COCO object-detection json (open standard, cocodataset.org format)."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from fruitcount.export.boxes import KIND_NAMES, edge_boxes
from fruitcount.types import Seen

__all__ = ["coco_record", "write_coco"]


def coco_record(seen: Sequence[Seen]) -> dict[str, Any]:
    """Photos, classes and one annotation a fruitlet, as COCO names them.

    Boxes are cut at the photo's edge. Beside the keys of the standard each annotation carries
    ``circle_px`` [x, y, r] with our origin (centre of the top-left pixel), ``score`` and, where
    told, ``diameter_mm``: readers of the standard pass over them.

    Parameters
    ----------
    seen : sequence of Seen

    Returns
    -------
    dict
        Ready for :func:`json.dumps`; no NaN in it.
    """
    images: list[dict[str, Any]] = []
    notes: list[dict[str, Any]] = []
    for image_id, photo in enumerate(seen, start=1):
        image: dict[str, Any] = {
            "id": image_id,
            "file_name": photo.name,
            "width": photo.width_px,
            "height": photo.height_px,
        }
        if photo.taken_at is not None:
            image["date_captured"] = photo.taken_at.strftime("%Y-%m-%d %H:%M:%S")
        images.append(image)
        notes += _annotations(photo, image_id, len(notes) + 1)
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


def write_coco(seen: Sequence[Seen], path: str | Path) -> Path:
    """Write one json for all photos (see :func:`coco_record`)."""
    target = Path(path)
    target.write_text(json.dumps(coco_record(seen), indent=1, allow_nan=False), encoding="utf-8")
    return target


def _annotations(photo: Seen, image_id: int, first_id: int) -> list[dict[str, Any]]:
    f = photo.fruitlets
    boxes, index = edge_boxes(photo)
    out = []
    for offset, (box, i) in enumerate(zip(boxes.tolist(), index.tolist(), strict=True)):
        left, top, right, bottom = box
        note: dict[str, Any] = {
            "id": first_id + offset,
            "image_id": image_id,
            "category_id": int(f.kind[i]) + 1,
            "bbox": [left, top, right - left, bottom - top],
            "area": math.pi / 4 * (right - left) * (bottom - top),
            "iscrowd": 0,
            "segmentation": [],
            "circle_px": [float(f.x_px[i]), float(f.y_px[i]), float(f.r_px[i])],
        }
        for name in ("score", "diameter_mm"):
            value = float(getattr(f, name)[i])
            if math.isfinite(value):
                note[name] = value
        out.append(note)
    return out
