"""Heatmap from the trained nets in ``models/``, run by OpenCV: no run-time dependency more."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from fruitcount.detect.heatmap_sizes import (
    MOST_PIXELS,
    finer_factor,
    liked_factor,
    resampled,
    start_factor,
)
from fruitcount.detect.heatmap_tiles import in_bands
from fruitcount.errors import ModelUnavailableError
from fruitcount.files import models_folder
from fruitcount.fruitlets import F32, Pixels
from fruitcount.image.opencv import cv2, net_at
from fruitcount.types import Maps, Scale
from fruitcount.whole_photo import (
    asked,
    filled_up,
    fruit_channels,
    fruit_maps,
    whole_photo,
)

SURE = 0.35
"""Peaks at least so high vote for the usual width of fruit."""

SMALL_PX = 24.0
"""Usual width in the first picture under which a finer look pays more than one in the mirror."""


def model_path() -> Path:
    """The file of the fruit net."""
    return models_folder() / "fruit_net.onnx"


def trained_maps(photo_rgb: Pixels, scale: Scale) -> Maps:
    """Heatmap maps by the trained nets.

    Parameters
    ----------
    photo_rgb : uint8 array, shape (rows, columns, 3)
    scale : Scale
        Where known, the fruit net looks at the size it likes best; else at a middling one and,
        where the fruit it finds there are small, at a finer one too. Larger fruit are for the limb
        net, which looks at the whole photo at smaller sizes.

    Returns
    -------
    Maps
        By the fruit net, at half the working picture's resolution; ``others`` of all other looks.

    Raises
    ------
    ModelUnavailableError
        When a model file is missing or damaged.
    """
    path = model_path()
    if not path.is_file():
        raise ModelUnavailableError(f"{path}: there is no such file")
    maps = _by_fruit_net(path, photo_rgb, scale)
    whole = whole_photo(photo_rgb)
    return maps if whole is None else replace(maps, others=(*maps.others, *whole.fruit))


def _by_fruit_net(path: Path, photo_rgb: Pixels, scale: Scale) -> Maps:
    """Its net is let go here, before the other one takes memory."""
    net, shape = net_at(path), photo_rgb.shape
    factor = liked_factor(shape, scale) if scale.known else start_factor(shape)
    picture = resampled(photo_rgb, factor)
    told = _channels(net, picture)
    maps = _maps(told, picture, shape[1])
    if not scale.known and factor * _usual_width_px(maps) < SMALL_PX:
        fine = resampled(photo_rgb, finer_factor(shape))
        return replace(maps, others=(_maps(_channels(net, fine), fine, shape[1]),))
    if 2 * picture[..., 0].size > MOST_PIXELS:
        return maps
    return _maps(_with_mirror(net, picture, told), picture, shape[1])


def _maps(channels: F32, picture: Pixels, columns: int) -> Maps:
    """Maps of a photo so many pixels wide from what the net told of its picture."""
    return fruit_maps(channels, 2.0 * columns / picture.shape[1])


def _channels(net: Any, picture: Pixels) -> F32:
    def look(band: Pixels) -> F32:
        return asked(net, band, ("maps",))[0]

    out = in_bands(look, filled_up(picture), stride_px=4)
    return fruit_channels(out, picture.shape[1], picture.shape[0])


def _with_mirror(net: Any, picture: Pixels, told: F32) -> F32:
    """Mean of what the net told and tells in the mirror: F1 0.01 higher on held-back photos."""
    columns = picture.shape[1]
    even = picture[:, : columns - columns % 2 or columns]
    mirrored = _channels(net, even[:, ::-1])[..., ::-1]
    return np.asarray((told[..., : mirrored.shape[2]] + mirrored) / 2, np.float32)


def _usual_width_px(maps: Maps) -> float:
    """Median width in photo pixels of what a look is sure of; NaN if nothing."""
    top = cv2.dilate(maps.heatmap, np.ones((5, 5), np.uint8))
    peak = (maps.heatmap >= top) & (maps.heatmap >= SURE)
    return 2 * float(np.median(maps.radius_px[peak])) if peak.any() else float("nan")
