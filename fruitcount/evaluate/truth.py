"""Readers of known fruit in four annotation formats.

Formats: YOLO txt (one line a box: class, centre x, centre y, width, height, as shares of the
photo), PASCAL VOC xml, COCO json, and this project's ``truth.json`` (see :func:`read_truth_json`).
Each reader checks what it reads and raises :class:`BadTruthError` naming file, rule and value.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from fruitcount.errors import BadTruthError
from fruitcount.evaluate.known import Truth, truth_from_columns
from fruitcount.evaluate.truth_boxes import read_coco, read_voc, read_yolo
from fruitcount.evaluate.truth_files import KIND_WORDS, read_json, word_columns

DEFAULT_FILL_FRAC = 0.9
"""Share of a box's side that the fruit fills, where a folder is not listed below."""

BOX_FILL_FRAC = {
    "cherry-fruitlets-bbch72": 0.65,
    "cherry-bbch81": 0.85,
    "apple-bbch76": 0.9,
    "pear": 0.9,
}
"""Measured by eye on the open sets: their boxes are drawn loosely around the fruit."""

_MALFORMED = (KeyError, TypeError, ValueError, AttributeError, OverflowError)
_ON_LIMB = {True: 1, False: 0, None: -1}
PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif")


def read_truth(folder: str | Path, *, fill_frac: float | None = None) -> list[Truth]:
    """Read a folder of annotated photos, whichever of the four formats it uses.

    Looked for in this order: ``truth.json`` (ours), any other ``*.json`` (COCO), ``*.xml``
    (PASCAL VOC), ``*.txt`` (YOLO).

    Parameters
    ----------
    folder : path
        Photos and annotations lie side by side.
    fill_frac : float, 0 to 1, optional
        Share of a box's side that the fruit fills. Larger gives larger true circles; it does not
        change which detections match a box. Default: by the folder's name, else 0.9.

    Returns
    -------
    list of Truth
        Sorted by photo name; only photos that have an annotation.

    Raises
    ------
    BadTruthError
        No annotation is found, or one cannot be read.
    """
    root = Path(folder)
    if not root.is_dir():
        raise BadTruthError(f"{root}: not a folder")
    fill = BOX_FILL_FRAC.get(root.name, DEFAULT_FILL_FRAC) if fill_frac is None else fill_frac
    if not 0 < fill <= 1:
        raise BadTruthError(f"fill_frac must be over 0 and at most 1, got {fill!r}")
    ours = root / "truth.json"
    if ours.is_file():
        return read_truth_json(ours)
    tables = sorted(root.glob("*.json"))
    if tables:
        found = [truth for table in tables for truth in read_coco(table, fill_frac=fill)]
    else:
        reader = read_voc if any(root.glob("*.xml")) else read_yolo
        suffix = ".xml" if reader is read_voc else ".txt"
        photos = [p for p in sorted(root.iterdir()) if p.suffix.lower() in PHOTO_SUFFIXES]
        found = [
            reader(p.with_suffix(suffix), p, fill_frac=fill)
            for p in photos
            if p.with_suffix(suffix).is_file()
        ]
    if not found:
        raise BadTruthError(f"{root}: no truth.json, COCO json, VOC xml or YOLO txt beside photos")
    return sorted(found, key=lambda truth: truth.name)


def read_truth_json(path: str | Path) -> list[Truth]:
    """Read our own truth file.

    ``{"photos": [{"image", "width", "height", "light", "fruit": [{"x", "y", "r_px", "cls",
    "visible", "on_limb", "diameter_mm", "along_mm"}], "px_per_mm", "limb": {"polyline_px",
    "length_mm", "base_diameter_mm"}, "limb_polyline_px"}]}``. ``cls`` is one of green, yellowing,
    damaged, ignore. Only image, width, height and each fruit's x, y, r_px must be there.

    Raises
    ------
    BadTruthError
        Not json, a key is missing, a radius is not positive, or ``cls`` is not known.
    """
    data = read_json(Path(path))
    try:
        photos = data.get("photos", [data])
        return [_our_photo(photo) for photo in photos]
    except _MALFORMED as error:
        raise BadTruthError(
            f"{path}: not a truth file ({type(error).__name__}: {error})"
        ) from error


def _our_photo(photo: dict[str, Any]) -> Truth:
    fruit = photo["fruit"]
    unknown = {f.get("cls", "green") for f in fruit} - set(KIND_WORDS) - {"ignore"}
    if unknown:
        raise ValueError(f"cls must be green, yellowing, damaged or ignore, got {unknown!r}")
    columns: dict[str, Any] = {
        "x_px": [float(f["x"]) for f in fruit],
        "y_px": [float(f["y"]) for f in fruit],
        "r_px": [float(f["r_px"]) for f in fruit],
        "visible_frac": [_or_nan(f.get("visible")) for f in fruit],
        "diameter_mm": [_or_nan(f.get("diameter_mm")) for f in fruit],
        "along_mm": [_or_nan(f.get("along_mm")) for f in fruit],
        "on_limb": [_ON_LIMB[f.get("on_limb")] for f in fruit],
        **word_columns([str(f.get("cls", "green")) for f in fruit]),
    }
    if any(not r > 0 for r in columns["r_px"]):
        raise ValueError(f"r_px must be > 0, got {min(columns['r_px'])!r}")
    limb = photo.get("limb") or {}
    line = limb.get("polyline_px") or photo.get("limb_polyline_px") or []
    return truth_from_columns(
        Path(str(photo["image"])).name,
        (int(photo["width"]), int(photo["height"])),
        columns=columns,
        px_per_mm=_or_nan(photo.get("px_per_mm")),
        limb_length_mm=_or_nan(limb.get("length_mm")),
        base_diameter_mm=_or_nan(limb.get("base_diameter_mm")),
        limb_line_px=np.array(line, np.float64).reshape(-1, 2),
        light=str(photo.get("light") or ""),
    )


def _or_nan(value: Any) -> float:
    return math.nan if value is None else float(value)
