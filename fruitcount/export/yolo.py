"""Write counted photos as YOLO txt: one file a photo, one line a fruitlet, and a class list."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from fruitcount.boxes import KIND_NAMES, edge_boxes
from fruitcount.export.boxes import write_each
from fruitcount.types import Measurement

__all__ = ["write_yolo", "yolo_text"]

CLASS_LIST = "classes.names"
"""Not ``.txt``: a reader of the folder would take it for the boxes of a photo."""


def yolo_text(measurement: Measurement) -> str:
    """Lines of class, centre x, centre y, width, height, as shares of the photo.

    Boxes are cut at the photo's edge. A photo without fruit gives an empty text.
    """
    boxes, index = edge_boxes(measurement)
    size = np.array([measurement.width_px, measurement.height_px], np.float64)
    centre = (boxes[:, :2] + boxes[:, 2:]) / 2 / size
    side = (boxes[:, 2:] - boxes[:, :2]) / size
    rows = np.column_stack([centre, side])
    kinds = measurement.fruitlets.kind[index]
    # Seven places: a hundredth of a pixel on a photo 100 000 pixels wide.
    return "".join(
        f"{kind} " + " ".join(f"{value:.7f}" for value in row) + "\n"
        for kind, row in zip(kinds.tolist(), rows.tolist(), strict=True)
    )


def write_yolo(measurement: Sequence[Measurement], folder: str | Path) -> list[Path]:
    """Write one txt a photo (see :func:`~fruitcount.export.boxes.write_each`) and class names."""
    written = write_each(measurement, folder, ".txt", yolo_text)
    classes = Path(folder) / CLASS_LIST
    classes.write_text("\n".join(KIND_NAMES) + "\n", encoding="utf-8")
    return [classes, *written]
