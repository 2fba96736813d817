"""Fruitness from the trained net in ``models/``, run by OpenCV: no run-time dependency more."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitcount.errors import ModelUnavailableError
from fruitcount.fruitness.resample import (
    known_factor,
    resampled,
    search_factors,
    start_factor,
)
from fruitcount.image.opencv import cv2
from fruitcount.resources import models_folder
from fruitcount.types import Maps, Scale

__all__ = ["model_path", "trained_maps"]

F32 = NDArray[np.float32]

RADIUS_UNIT_PX = 8.0
"""The net tells ln(radius / this); as in training."""

SURE = 0.35
"""Peaks at least so high vote for the fruit size of a photo without a scale."""

MOST_MIRRORED = 1.3e6
"""Working pictures up to so many pixels are looked at in the mirror too: F1 rose by 0.01 on the
held-back photos. Larger ones would take too long."""

_ONE_AT_A_TIME = Lock()


def model_path() -> Path:
    """The file of the trained net."""
    return models_folder() / "fruitness.onnx"


@lru_cache(maxsize=1)  # a net that was replaced would stay in memory, 0.3 GB, beside the new one
def _net(path: str, stamp: float) -> Any:
    del stamp  # part of the key: a replaced file is read again
    try:
        return cv2.dnn.readNetFromONNX(path)
    except cv2.error as error:
        raise ModelUnavailableError(f"{path}: cannot be read as a net ({error.err})") from error


def trained_maps(photo_rgb: NDArray[np.uint8], scale: Scale) -> Maps:
    """Fruitness maps by the trained net.

    Parameters
    ----------
    photo_rgb : uint8 array, shape (rows, columns, 3)
    scale : Scale
        Where known, one pass at the size the net likes best. Else a first pass finds the
        usual fruit size and a second one looks again at that size; the stronger answer of
        both is kept at each place.

    Returns
    -------
    Maps
        At half the working picture's resolution.

    Raises
    ------
    ModelUnavailableError
        When the model file is missing or damaged.
    """
    path = model_path()
    if not path.is_file():
        raise ModelUnavailableError(f"{path}: there is no such file")
    net = _net(str(path), path.stat().st_mtime)
    shape = photo_rgb.shape
    first = known_factor(shape, scale) if scale.known else start_factor(shape)
    maps = _pass(net, photo_rgb, first)
    if scale.known:
        return maps
    for factor in search_factors(shape, first, _usual_diameter(maps) * first):
        maps = _stronger(maps, _pass(net, photo_rgb, factor))
    return maps


def _pass(net: Any, photo_rgb: NDArray[np.uint8], factor: float) -> Maps:
    """One look at the photo resampled by ``factor``; a small one also in the mirror."""
    working = resampled(photo_rgb, factor)
    h, w = working.shape[:2]
    if w % 2:  # else the mirrored cells would lie half a cell beside the others
        working = np.pad(working, ((0, 0), (0, 1), (0, 0)), mode="edge")
    out = _run(net, working)
    if h * w <= MOST_MIRRORED:
        mirrored = _run(net, np.ascontiguousarray(working[:, ::-1]))
        out = np.asarray((out + mirrored[..., ::-1]) / 2, np.float32)
    px_per_cell = 2.0 * photo_rgb.shape[1] / w
    radius = np.exp(out[1]) * np.float32(RADIUS_UNIT_PX * px_per_cell / 2)
    return Maps(
        fruitness=_chance(out[0]),
        radius_px=np.asarray(radius, np.float32),
        wood=_chance(out[2]),
        px_per_cell=px_per_cell,
        source="trained",
        yellow=_chance(out[3]),
        visible=_chance(out[4]),
    )


def _run(net: Any, working: NDArray[np.uint8]) -> F32:
    """Heat, log radius, wood, yellow and visible as the net tells them, at half the size."""
    h, w = working.shape[:2]
    rows, cols = (h + 1) // 2, (w + 1) // 2
    padded = cv2.copyMakeBorder(working, 0, -h % 32, 0, -w % 32, cv2.BORDER_REPLICATE)
    with _ONE_AT_A_TIME:  # the net keeps its input between the two calls
        # It keeps a copy: no name here, so that the original (30 MB) goes before the net runs.
        net.setInput(cv2.dnn.blobFromImage(padded, 1 / 255.0))
        out = np.asarray(net.forward(), np.float32)[0]
    heat = out[:4].reshape(2, 2, *out.shape[1:]).transpose(2, 0, 3, 1)
    heat = heat.reshape(2 * out.shape[1], 2 * out.shape[2])
    size = (heat.shape[1], heat.shape[0])
    told = np.stack([heat, *(cv2.resize(out[k], size) for k in (4, 5, 6, 7))])
    return np.asarray(told[:, :rows, :cols], np.float32)


def _chance(logit: F32) -> F32:
    return np.asarray(1.0 / (1.0 + np.exp(-logit)), np.float32)


def _usual_diameter(maps: Maps) -> float:
    """Median width in photo pixels of what the first pass is sure of; NaN if nothing."""
    top = cv2.dilate(maps.fruitness, np.ones((5, 5), np.uint8))
    peak = (maps.fruitness >= top) & (maps.fruitness >= SURE)
    return 2 * float(np.median(maps.radius_px[peak])) if peak.any() else float("nan")


def _stronger(one: Maps, other: Maps) -> Maps:
    """Both passes on the finer grid; each place takes the pass with the higher fruitness."""
    fine, coarse = (one, other) if one.px_per_cell <= other.px_per_cell else (other, one)
    h, w = fine.fruitness.shape
    step = fine.px_per_cell / coarse.px_per_cell
    turn = np.array([[step, 0, (step - 1) / 2], [0, step, (step - 1) / 2]])
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP

    def moved(channel: F32) -> F32:
        warped = cv2.warpAffine(channel, turn, (w, h), flags=how, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(warped, np.float32)

    heat = moved(coarse.fruitness)
    use = heat > fine.fruitness
    return Maps(
        fruitness=np.maximum(heat, fine.fruitness),
        radius_px=np.where(use, moved(coarse.radius_px), fine.radius_px),
        wood=np.asarray((moved(coarse.wood) + fine.wood) / 2, np.float32),
        px_per_cell=fine.px_per_cell,
        source=fine.source,
        yellow=np.where(use, moved(coarse.yellow), fine.yellow),
        visible=np.where(use, moved(coarse.visible), fine.visible),
    )
