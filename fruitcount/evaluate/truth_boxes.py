"""Readers of three box formats: YOLO txt, PASCAL VOC xml, COCO json."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
from PIL import Image

from fruitcount.errors import BadTruthError
from fruitcount.evaluate.known import Truth, truth_from_columns
from fruitcount.evaluate.truth_files import read_json, read_text, word_columns

_MALFORMED = (KeyError, TypeError, ValueError, AttributeError, OverflowError)


def read_yolo(path: str | Path, photo: str | Path, *, fill_frac: float = 0.9) -> Truth:
    """Read one YOLO txt; an empty file means no fruit on the photo.

    Parameters
    ----------
    path, photo : path
        The txt and its photo, of which only the header is read, for its size.
    fill_frac : float
        Share of a box's side that the fruit fills; larger gives larger true circles.

    Raises
    ------
    BadTruthError
        A line has not five numbers, or a number is outside 0 to 1.
    """
    width, height = _photo_size(Path(photo))
    rows = []
    for number, line in enumerate(read_text(Path(path)).splitlines(), start=1):
        if not line.strip():
            continue
        parts = line.split()
        where = f"{path} line {number}"
        if len(parts) < 5:
            raise BadTruthError(f"{where}: needs class, x, y, width, height; got {line[:80]!r}")
        x, y, w, h = (_share(where, part) for part in parts[1:5])
        # Shares run from the photo's outer edge; pixel 0 has its centre at half a pixel.
        rows.append((x * width - 0.5, y * height - 0.5, w * width / 2, h * height / 2))
    return _from_boxes(Path(photo).name, (width, height), rows, fill_frac)


def read_voc(path: str | Path, photo: str | Path = "", *, fill_frac: float = 0.9) -> Truth:
    """Read one PASCAL VOC xml.

    Corners are 1-based pixel numbers, both included, as in the VOC2012 development kit
    (Everingham and Winn). An object marked ``difficult`` is ignored; an object name that is one
    of ours (``yellowing``, ``damaged``, ``ignore``) sets its class, any other name is fruit.

    Raises
    ------
    BadTruthError
        Not xml, declares a document type or entities, or a box is not a box.
    """
    text = read_text(Path(path))
    if "<!DOCTYPE" in text.upper() or "<!ENTITY" in text.upper():
        raise BadTruthError(f"{path}: a document type or entity declaration is not accepted")
    try:
        root = ElementTree.fromstring(text)  # noqa: S314  # nosec B314
    except ElementTree.ParseError as error:
        raise BadTruthError(f"{path}: not xml ({error})") from error
    name = Path(photo).name if photo else (root.findtext("filename") or Path(path).stem)
    size = (_xml_number(path, root, "size/width"), _xml_number(path, root, "size/height"))
    if min(size) < 1:
        raise BadTruthError(f"{path}: width and height must be at least 1, got {size!r}")
    rows, words, hard = [], [], []
    for thing in root.iter("object"):
        low_x, low_y, high_x, high_y = (
            _xml_number(path, thing, f"bndbox/{key}") for key in ("xmin", "ymin", "xmax", "ymax")
        )
        if high_x < low_x or high_y < low_y:
            raise BadTruthError(f"{path}: xmax and ymax must not be under xmin and ymin")
        half = ((high_x - low_x + 1) / 2, (high_y - low_y + 1) / 2)
        rows.append(((low_x + high_x) / 2 - 1, (low_y + high_y) / 2 - 1, *half))
        words.append(thing.findtext("name") or "fruit")
        hard.append((thing.findtext("difficult") or "0").strip() == "1")
    extra = word_columns(words)
    extra["ignore"] = np.array(extra["ignore"], bool) | np.array(hard, bool)
    return _from_boxes(name, (int(size[0]), int(size[1])), rows, fill_frac, extra)


def read_coco(path: str | Path, *, fill_frac: float = 0.9) -> list[Truth]:
    """Read a COCO json: ``images``, ``annotations`` with ``bbox`` [x, y, width, height].

    ``iscrowd`` and a category named ``ignore`` mean ignored; categories named as ours set the
    class. Where an annotation carries ``circle_px`` [x, y, r] (written by our own export), the
    circle is used instead of the box.

    Raises
    ------
    BadTruthError
        Not json, a key is missing, or an annotation points at an image that is not listed.
    """
    data = read_json(Path(path))
    try:
        words = {int(c["id"]): str(c["name"]) for c in data.get("categories", [])}
        by_image: dict[int, list[dict[str, Any]]] = {int(i["id"]): [] for i in data["images"]}
        for note in data["annotations"]:
            if int(note["image_id"]) not in by_image:
                raise BadTruthError(f"{path}: image_id {note['image_id']!r} is not in images")
            by_image[int(note["image_id"])].append(note)
        return [
            _coco_photo(image, by_image[int(image["id"])], words, fill_frac)
            for image in data["images"]
        ]
    except _MALFORMED as error:
        raise BadTruthError(f"{path}: not COCO ({type(error).__name__}: {error})") from error


def _coco_photo(
    image: dict[str, Any], notes: list[dict[str, Any]], words: dict[int, str], fill_frac: float
) -> Truth:
    rows, circles, names, crowd = [], [], [], []
    for note in notes:
        x, y, w, h = (float(v) for v in note["bbox"])
        if not (w >= 0 and h >= 0 and math.isfinite(x + y + w + h)):
            raise ValueError(f"bbox must have width and height of 0 or more, got {note['bbox']!r}")
        rows.append((x + w / 2 - 0.5, y + h / 2 - 0.5, w / 2, h / 2))
        circles.append(note.get("circle_px"))
        names.append(words.get(int(note.get("category_id", -1)), "fruit"))
        crowd.append(bool(note.get("iscrowd", 0)))
    extra = word_columns(names)
    extra["ignore"] = np.array(extra["ignore"], bool) | np.array(crowd, bool)
    size = (int(image["width"]), int(image["height"]))
    name = Path(str(image["file_name"])).name
    if circles and all(c is not None for c in circles):
        table = np.array(circles, np.float64)
        if table.shape != (len(circles), 3) or not (table[:, 2] > 0).all():
            raise ValueError("circle_px must be [x, y, r] with r > 0")
        x_px, y_px, r_px = table.T
        return truth_from_columns(
            name, size, columns={"x_px": x_px, "y_px": y_px, "r_px": r_px, **extra}
        )
    return _from_boxes(name, size, rows, fill_frac, extra)


def _from_boxes(
    name: str,
    size_px: tuple[int, int],
    rows: list[tuple[float, float, float, float]],
    fill_frac: float,
    extra: dict[str, Any] | None = None,
) -> Truth:
    """Boxes (centre x, y, half width, half height) to truth with circles of equal mean side."""
    table = np.array(rows, np.float64).reshape(-1, 4)
    columns: dict[str, Any] = {
        "x_px": table[:, 0],
        "y_px": table[:, 1],
        "r_px": fill_frac * np.sqrt(table[:, 2] * table[:, 3]),
        "half_w_px": table[:, 2],
        "half_h_px": table[:, 3],
        **(extra or {}),
    }
    return truth_from_columns(name, size_px, columns=columns)


def _photo_size(photo: Path) -> tuple[int, int]:
    """Width and height as seen upright, from the header alone."""
    try:
        with Image.open(photo) as image:
            width, height = image.size
            turned = image.getexif().get(0x0112, 1) in (5, 6, 7, 8)
    except (OSError, ValueError, Image.DecompressionBombError) as error:
        raise BadTruthError(f"{photo}: the photo's size cannot be read ({error})") from error
    return (height, width) if turned else (width, height)


def _share(where: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError as error:
        raise BadTruthError(f"{where}: not a number: {text[:40]!r}") from error
    if not 0 <= value <= 1:
        raise BadTruthError(f"{where}: shares run from 0 to 1, got {value!r}")
    return value


def _xml_number(path: str | Path, node: ElementTree.Element, key: str) -> float:
    text = node.findtext(key)
    try:
        value = float(text or "")
    except ValueError as error:
        raise BadTruthError(f"{path}: {key} must be a number, got {text!r}") from error
    if not math.isfinite(value):
        raise BadTruthError(f"{path}: {key} must be finite, got {text!r}")
    return value
