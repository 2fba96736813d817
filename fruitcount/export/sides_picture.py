"""A picture a side of one limb: what to do with each fruit, the same number on every photo."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np

from fruitcount.coco_record import CocoPhoto, coco_object, edge_boxes
from fruitcount.export.draw import mark, text
from fruitcount.export.picture import legend
from fruitcount.export.record import result_to_dict
from fruitcount.export.words import ACTIONS, BLACK, WHITE, fruit_actions
from fruitcount.image.opencv import zoomed
from fruitcount.measurement_record import plain
from fruitcount.pipeline import Result
from fruitcount.types import Photo
from fruitcount.views import JoinedLimb


def write_side(path: Path, photo: Photo, number: int, joined: JoinedLimb, result: Result) -> None:
    """Write the photo of this number with the joined limb's marks that it shows, as JPEG."""
    zoom = 2000 / max(photo.width_px, photo.height_px)
    picture = zoomed(photo.rgb, zoom)
    actions = fruit_actions(joined.measurement.fruitlets, result.decision.plan)
    fruit = joined.photos[number].fruitlets
    for i, row in enumerate(joined.fruit[number].tolist()):
        if row < 0:
            continue
        style = ACTIONS[actions[row]]
        x, y, r = (float(v[i]) * zoom for v in (fruit.x_px, fruit.y_px, fruit.r_px))
        mark(picture, (x, y, r), style.shape, rgb=style.rgb, width=4)
        text(picture, str(row + 1), (x + r, y - r), size_px=30, rgb=WHITE, edge_rgb=BLACK)
    below = legend(result, picture.shape[1])
    bgr = cv2.cvtColor(np.vstack([picture, below]), cv2.COLOR_RGB2BGR)
    path.write_bytes(cv2.imencode(".jpg", bgr)[1].tobytes())


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
