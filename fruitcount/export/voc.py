"""Write counted photos as PASCAL VOC xml, one file a photo."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from xml.etree import ElementTree

from fruitcount.boxes import KIND_NAMES, edge_boxes
from fruitcount.export.boxes import write_each
from fruitcount.types import Measurement

__all__ = ["voc_xml", "write_voc"]


def voc_xml(measurement: Measurement) -> str:
    """One annotation: whole-pixel corners, 1-based and both included, as VOC2012 has them.

    Boxes are cut at the photo's edge; those that were are marked ``truncated``.
    """
    root = ElementTree.Element("annotation")
    _add(root, "filename", _printable(measurement.name))
    size = ElementTree.SubElement(root, "size")
    for key, value in (
        ("width", measurement.width_px),
        ("height", measurement.height_px),
        ("depth", 3),
    ):
        _add(size, key, value)
    _add(root, "segmented", 0)
    boxes, index = edge_boxes(measurement)
    for box, i in zip(boxes.tolist(), index.tolist(), strict=True):
        thing = ElementTree.SubElement(root, "object")
        _add(thing, "name", KIND_NAMES[int(measurement.fruitlets.kind[i])])
        _add(thing, "pose", "Unspecified")
        side = 2 * float(measurement.fruitlets.r_px[i])
        cut = min(box[2] - box[0], box[3] - box[1]) < side - 1e-6
        _add(thing, "truncated", int(cut))
        _add(thing, "difficult", 0)
        corners = ElementTree.SubElement(thing, "bndbox")
        for key, value in zip(("xmin", "ymin", "xmax", "ymax"), _whole(box), strict=True):
            _add(corners, key, value)
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode") + "\n"


def write_voc(measurement: Sequence[Measurement], folder: str | Path) -> list[Path]:
    """Write one xml a photo; see :func:`~fruitcount.export.boxes.write_each`."""
    return write_each(measurement, folder, ".xml", voc_xml)


def _whole(box: list[float]) -> tuple[int, int, int, int]:
    """Outer edges (0 to width) to numbers of the first and last pixel covered, from 1."""
    # A sliver at the far edge stays on the last pixel it touches.
    left = min(round(box[0]) + 1, math.ceil(box[2]))
    top = min(round(box[1]) + 1, math.ceil(box[3]))
    return left, top, max(left, round(box[2])), max(top, round(box[3]))


def _add(parent: ElementTree.Element, key: str, value: object) -> None:
    ElementTree.SubElement(parent, key).text = str(value)


def _printable(name: str) -> str:
    """Without control characters, which xml 1.0 cannot hold at all."""
    return "".join(c for c in name if c.isprintable())
