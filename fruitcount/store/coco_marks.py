"""Marks from a COCO file, ours or another's, to put back on stored photos."""

from __future__ import annotations

import json
from pathlib import Path

from fruitcount.coco_record import CocoPhoto, photos_from_coco
from fruitcount.errors import RecordError
from fruitcount.types import Fruitlets

__all__ = ["marks_from_coco", "read_coco_photos"]


def read_coco_photos(path: str | Path) -> list[CocoPhoto]:
    """Read all that a COCO object-detection file says of its photos.

    Files that this program wrote come back without loss; see
    :func:`fruitcount.coco_record.photos_from_coco` for those of others.

    Raises
    ------
    RecordError
        When it is no such file, or a box is not one.
    """
    try:
        return photos_from_coco(json.loads(Path(path).read_text(encoding="utf-8")))
    except RecordError as error:
        raise RecordError(f"{path}: {error}") from error
    except (OSError, ValueError, RecursionError) as error:
        raise RecordError(f"{path}: not a COCO file that can be read: {error}") from error


def marks_from_coco(path: str | Path) -> dict[str, Fruitlets]:
    """File name to marks of every photo in a COCO file; see :func:`read_coco_photos`."""
    return {photo.file_name: photo.measurement.fruitlets for photo in read_coco_photos(path)}
