"""The limb net looks at the whole photo at a few sizes: which limb is meant, and every fruit.

A fruit that is small in one size is of a good size in another, so no usual size of fruit need be
known first.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np
from scipy.special import expit

from fruitcount.files import models_folder
from fruitcount.image.opencv import cv2, net_at, of_last_photo, reduced_to, size_at
from fruitcount.types import F32, Maps, Pixels

# Long sides at which the photo is looked at. By the net's first run both together drew 4 of 56
# rendered limbs wrong, 640 alone 6.
SIDES_PX = (480, 800)

# A photo with a shorter long side shows nothing to the net.
LEAST_SIDE_PX = 64

# The nets tell ln(radius / this), and ln(half thickness / this), in their own pixels; as in
# training.
RADIUS_UNIT_PX = HALF_UNIT_PX = 8.0

_ONE_AT_A_TIME = Lock()


@dataclass(frozen=True, eq=False)
class WholePhoto:
    """What the limb net tells, size by size.

    Attributes
    ----------
    fruit : tuple of Maps
        One a size.
    limb : tuple of float32 arrays, shape (5, h, w)
        Log-odds of this limb, its base, its tip and the place where it leaves the photo, and
        ln(half thickness in photo pixels / 8).
    """

    fruit: tuple[Maps, ...]
    limb: tuple[F32, ...]


def limb_model_path() -> Path:
    """The file of the limb net."""
    return models_folder() / "limb_net.onnx"


@of_last_photo
def whole_photo(rgb: Pixels) -> WholePhoto | None:
    """What the limb net tells of a photo; None where its file is missing or the photo is tiny.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)

    Raises
    ------
    ModelUnavailableError
        When the file cannot be read as a net.
    """
    if not limb_model_path().is_file() or max(rgb.shape[:2]) < LEAST_SIDE_PX:
        return None
    fruit, limb = zip(*(_looked(rgb, side) for side in SIDES_PX), strict=True)
    return WholePhoto(fruit, limb)


def _looked(rgb: Pixels, side: int) -> tuple[Maps, F32]:
    """Fruit and limb of the photo at one long side."""
    net = net_at(limb_model_path())
    factor, columns = side / max(rgb.shape[:2]), rgb.shape[1]
    size = size_at(rgb, factor)
    small = reduced_to(rgb, size, spare=1.5) if factor < 1 else cv2.resize(rgb, size)
    fruit, limb = asked(net, filled_up(np.asarray(small, np.uint8)), ("maps", "limb"))
    limb = limb[:, : -(-size[1] // 4), : -(-size[0] // 4)]
    limb[4] += np.log(columns / size[0])
    return fruit_maps(fruit_channels(fruit, *size), 2.0 * columns / size[0]), limb


def filled_up(picture: Pixels) -> Pixels:
    """A picture of shape (rows, columns, 3) carried on to multiples of 32, below and right."""
    down, right = -picture.shape[0] % 32, -picture.shape[1] % 32
    full = cv2.copyMakeBorder(picture, 0, down, 0, right, cv2.BORDER_REPLICATE)
    return np.asarray(full, np.uint8)


def asked(net: Any, picture: Pixels, names: tuple[str, ...]) -> list[F32]:
    """Answers of a net under these names, of shape (n, h, w); the picture is (rows, columns, 3)."""
    with _ONE_AT_A_TIME:  # the net keeps its input between the two calls
        # It keeps a copy: no name here, so that the original (30 MB) goes before the net runs.
        net.setInput(cv2.dnn.blobFromImage(picture, 1 / 255.0))
        return [np.array(out[0], dtype=np.float32) for out in net.forward(names)]


def fruit_channels(out: F32, columns: int, rows: int) -> F32:
    """Heat, log radius, wood, yellow and visible share, at half the size of a net's picture.

    Parameters
    ----------
    out : float32 array, shape (8, h, w)
        At a quarter of its size: four parts of the heat and then the rest.
    columns, rows : int
        Of the photo in the net's picture, which may go on beyond it.

    Returns
    -------
    float32 array, shape (5, (rows + 1) // 2, (columns + 1) // 2)
    """
    heat = out[:4].reshape(2, 2, *out.shape[1:]).transpose(2, 0, 3, 1)
    heat = heat.reshape(2 * out.shape[1], 2 * out.shape[2])
    size = (heat.shape[1], heat.shape[0])
    told = np.stack([heat, *(cv2.resize(out[k], size) for k in (4, 5, 6, 7))])
    return np.asarray(told[:, : (rows + 1) // 2, : (columns + 1) // 2], np.float32)


def fruit_maps(channels: F32, px_per_cell: float) -> Maps:
    """Those channels, of shape (5, h, w), as maps; a cell is two pixels of the net's picture."""
    heat, log_radius, wood, yellow, visible = channels
    return Maps(
        heatmap=_chance(heat),
        radius_px=np.exp(log_radius) * np.float32(RADIUS_UNIT_PX * px_per_cell / 2),
        wood=_chance(wood),
        px_per_cell=px_per_cell,
        source="trained",
        yellow=_chance(yellow),
        visible=_chance(visible),
    )


def _chance(odds: F32) -> F32:
    return np.asarray(expit(odds), np.float32)
