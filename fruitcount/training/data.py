"""Annotated photographs and renders, decoded once into memory, split by photo."""

from __future__ import annotations

import io
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from fruitcount.evaluate.split import held_back
from fruitcount.types import F32, Pixels

BOX_FILL = {
    "cherry-fruitlets-bbch72": 0.65,
    "cherry-bbch81": 0.85,
    "apple-bbch76": 0.90,
    "pear": 0.90,
    "coffee-fruit": 1.0,
}
"""Sets that may train shipped weights, and the share of a box's side that its fruit fills."""

PARTLY_LABELLED = ("coffee-fruit",)
"""Sets that label the fruit of the branch in focus only: away from them nothing is known."""

GREEN_FROM = {"coffee-fruit": 3}
"""Lowest class number of green fruit, where a set has classes; what is riper is passed over."""

KNOWN_REACH = 1.6
"""In a partly labelled picture the surroundings of a fruit are known to so many of its radii."""

LICENCE = (
    "CherryBBCH72, CherryBBCH81, AppleBBCH76 and Pear640 data sets, CC BY 4.0: S. Kodors, "
    'I. Zarembo, G. Lacis, L. Litavniece, I. Apeinans, M. Sondors, A. Pacejs, "Autonomous Yield '
    'Estimation System for Small Commercial Orchards Using UAV and AI", Drones 8(12):734, 2024, '
    "doi 10.3390/drones8120734. Coffee Fruit Maturity data set, Ciencia Cafeto, CC BY 4.0"
)

is_validation = held_back
"""The split of training and judging is one rule."""

PICTURES = (".jpg", ".webp")


@dataclass(frozen=True, eq=False)
class Example:
    """One picture and its fruit.

    Attributes
    ----------
    name, group : str
        File stem, and the set it belongs to.
    rgb : uint8 array, shape (h, w, 3)
    fruit : float32 array, shape (N, 5)
        x, y, radius in pixels; visible share (NaN if not known); yellowing 1/0 (NaN if not
        known). Fruit to be ignored has visible share -1.
    wood : uint8 array, shape (h, w), or None
        255 on wood; None where nobody told.
    outline : uint8 array, shape (h, w), or None
        255 on fruit; None where nobody told.
    known : uint8 array, shape (h, w), or None
        255 where every fruit is labelled; None: everywhere.
    limb : float32 array, shape (P, 3), or None
        x, y, half thickness in pixels along the limb from base to tip; NaN thickness if not
        known.
    ends : tuple of str
        What the line's first and last points are: "base", "tip", "frame" or "unknown".
    """

    name: str
    group: str
    rgb: Pixels
    fruit: F32
    wood: Pixels | None = None
    outline: Pixels | None = None
    known: Pixels | None = None
    limb: F32 | None = None
    ends: tuple[str, str] = ("base", "tip")


def photo_of(stem: str) -> str:
    """The photo that a tile was cut from: its name before the last ``_``."""
    return stem.rsplit("_", 1)[0]


def is_held_back(example: Example) -> bool:
    """Whether a picture is kept from training, by its photo or scene."""
    # the views of one rendered scene, like the tiles of one photo, stay on one side
    return is_validation(example.group, photo_of(example.name))


def _picture(path: Path, mode: str = "RGB") -> Pixels:
    with Image.open(io.BytesIO(path.read_bytes())) as image:
        return np.asarray(image.convert(mode), dtype=np.uint8)


def _tile(path: Path) -> Example:
    group = path.parent.name
    rgb = _picture(path)
    h, w = rgb.shape[:2]
    rows = [line.split() for line in path.with_suffix(".txt").read_text().splitlines()]
    boxes = np.array([[float(v) for v in row[1:5]] for row in rows if row], np.float32)
    boxes = boxes.reshape(-1, 4)
    radius = (boxes[:, 2] * w + boxes[:, 3] * h) / 4 * BOX_FILL[group]
    unknown = np.full(len(boxes), np.nan, np.float32)
    least = GREEN_FROM.get(group, 0)
    ripe = np.array([int(row[0]) < least for row in rows if row], bool)
    # boxes cut by the tile's edge show part of a fruit: their centre is not the fruit's
    columns = [boxes[:, 0] * w - 0.5, boxes[:, 1] * h - 0.5, radius, unknown, unknown]
    fruit = np.stack(columns, axis=1).astype(np.float32)
    fruit[ripe, 3] = -1.0
    known = _near(fruit, (h, w)) if group in PARTLY_LABELLED else None
    return Example(path.stem, group, rgb, fruit, known=known)


def _near(fruit: F32, shape: tuple[int, int]) -> Pixels:
    """255 within :data:`KNOWN_REACH` radii of a fruit."""
    y, x = np.ogrid[: shape[0], : shape[1]]
    out = np.zeros(shape, np.uint8)
    for fx, fy, r in fruit[:, :3]:
        out[np.hypot(x - fx, y - fy) < KNOWN_REACH * r] = 255
    return out


def with_lines(examples: list[Example], path: Path) -> list[Example]:
    """The pictures that have a limb line in a file of lines drawn by hand, with that line.

    Parameters
    ----------
    examples : list of Example
        From :func:`read_tiles`.
    path : Path
        JSON list of ``file`` (folder and name), ``line_px``, ``ends`` (two of ``base``, ``tip``,
        ``frame``; anything else is not known) and ``ends_width_px`` (null where not seen).
    """
    lines = {row["file"].rsplit(".", 1)[0]: row for row in json.loads(path.read_text())}
    out = []
    for example in examples:
        row = lines.get(f"{example.group}/{example.name}")
        if row is None or len(row["line_px"]) < 2:
            continue
        line = np.array(row["line_px"], np.float32)
        first, last = (np.nan if w is None else w / 2 for w in row["ends_width_px"])
        half = np.linspace(first, last, len(line), dtype=np.float32)[:, None]
        ends = [at if at in ("base", "tip", "frame") else "unknown" for at in row["ends"]]
        out.append(replace(example, limb=np.hstack([line, half]), ends=(ends[0], ends[1])))
    return out


def read_tiles(folder: Path, limit: int | None = None) -> list[Example]:
    """Tiles with YOLO boxes of the sets in :data:`BOX_FILL`, in name order.

    Parameters
    ----------
    folder : Path
        Holds one folder a set.
    limit : int, optional
        At most so many tiles a set, for trying out.
    """
    paths: list[Path] = []
    for group in BOX_FILL:
        found = [p for p in (folder / group).glob("*") if p.suffix in PICTURES]
        paths += sorted(found)[:limit]
    with ThreadPoolExecutor() as pool:
        return list(pool.map(_tile, paths))


def read_renders(
    folder: Path, limit: int | None = None, *, part: tuple[int, int] = (0, 1)
) -> list[Example]:
    """Rendered pictures below a folder: every ``truth.json`` with the files it names.

    Masks ``<name>_wood.png`` and ``<name>_fruit.png`` beside a picture tell its wood and fruit
    (0 elsewhere). Fruit is a list of ``x``, ``y``, ``r_px``, ``cls``, ``visible``.

    Parameters
    ----------
    folder : Path
    limit : int, optional
        At most so many pictures, for trying out.
    part : tuple of int
        Which part, from 0, of how many: with several processes each reads its own.
    """
    jobs: list[tuple[Path, dict[str, Any]]] = []
    for truth in sorted(folder.rglob("truth.json")):
        jobs += [(truth.parent, photo) for photo in json.loads(truth.read_text())["photos"]]
    with ThreadPoolExecutor() as pool:
        return list(pool.map(_render, jobs[:limit][part[0] :: part[1]]))


def _render(job: tuple[Path, dict[str, Any]]) -> Example:
    folder, photo = job
    path = folder / photo["image"]
    fruit = np.array([_fruit_row(f) for f in photo["fruit"]], np.float32).reshape(-1, 5)
    wood, outline = (_mask(path, kind) for kind in ("wood", "fruit"))
    name = f"{folder.name}/{path.stem}"
    half = photo.get("limb", {}).get("half_px")
    limb = None
    if half is not None:
        limb = np.column_stack([photo["limb"]["polyline_px"], half]).astype(np.float32)
    return Example(name, "renders", _picture(path), fruit, wood, outline, limb=limb)


def _mask(picture: Path, kind: str) -> Pixels | None:
    """255 where the mask beside a picture is set (its numbers tell which limb or fruit)."""
    path = picture.with_name(f"{picture.stem}_{kind}.png")
    return np.where(_picture(path, "L") > 0, 255, 0).astype(np.uint8) if path.exists() else None


def _fruit_row(fruit: dict[str, Any]) -> list[float]:
    ignored = fruit["cls"] == "ignore"
    visible = -1.0 if ignored else float(fruit.get("visible", 1.0))
    return [fruit["x"], fruit["y"], fruit["r_px"], visible, float("yellow" in fruit["cls"])]
