"""Heatmap from the trained net in ``models/``, run by OpenCV: no run-time dependency more."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from fruitcount.detect.heatmap_sizes import Look, known_look, resampled, search_looks, start_factor
from fruitcount.detect.heatmap_tiles import in_bands
from fruitcount.errors import ModelUnavailableError
from fruitcount.files import models_folder
from fruitcount.image.opencv import cv2, net_at
from fruitcount.types import Maps, Scale

F32 = NDArray[np.float32]

RADIUS_UNIT_PX = 8.0
"""The net tells ln(radius / this); as in training."""

SURE = 0.35
"""Peaks at least so high vote for the fruit size of a photo without a scale."""

WEAKER_SHARE = 0.3
"""Weight of the less confident pass when logits are averaged. On the held-back photos F1 rose
by 0.01 against the surer pass alone, most where fruit are small; 0.5 served apples worse."""

SHARED_SHIFT = 0.23
"""Added to that mean, which lies below the surer pass: 0.30 becomes 0.35, so that one threshold
serves one pass and two."""

_ONE_AT_A_TIME = Lock()


def model_path() -> Path:
    """The file of the trained net."""
    return models_folder() / "fruit_net.onnx"


def trained_maps(photo_rgb: NDArray[np.uint8], scale: Scale) -> Maps:
    """Heatmap maps by the trained net.

    Parameters
    ----------
    photo_rgb : uint8 array, shape (rows, columns, 3)
    scale : Scale
        Where known, one pass at the size the net likes best. Else a first pass finds the
        usual fruit size and, where that is not yet the best one, a second looks again at it;
        both are averaged at each place, the surer one more. A pass is looked at in the mirror
        too where the photo's size leaves time for it, the first one first.

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
    net = net_at(path)
    if scale.known:
        return _looked(net, photo_rgb, known_look(photo_rgb.shape, scale))
    return _searched(net, photo_rgb)


def _searched(net: Any, photo_rgb: NDArray[np.uint8]) -> Maps:
    """One or two looks at a photo whose scale is not known."""
    first = start_factor(photo_rgb.shape)
    working = _working(photo_rgb, first)
    out = _run(net, working.picture)
    usual_px = _usual_diameter(_maps(out, working)) * first
    once, again = search_looks(photo_rgb.shape, first, usual_px)
    maps = _maps(_with_mirror(net, working, out) if once.mirror else out, working)
    return maps if again is None else _together(maps, _looked(net, photo_rgb, again))


def _looked(net: Any, photo_rgb: NDArray[np.uint8], look: Look) -> Maps:
    working = _working(photo_rgb, look.factor)
    out = _run(net, working.picture)
    return _maps(_with_mirror(net, working, out) if look.mirror else out, working)


@dataclass(frozen=True)
class _Working:
    """A photo made ready for the net: its picture goes beyond the photo, to a multiple of 32."""

    picture: NDArray[np.uint8]
    rows_n: int  # cells of two pixels that lie in the photo
    cols_n: int
    px_per_cell: float  # photo pixels


def _working(photo_rgb: NDArray[np.uint8], factor: float) -> _Working:
    picture = resampled(photo_rgb, factor)
    h, w = picture.shape[:2]
    px_per_cell = 2.0 * photo_rgb.shape[1] / w
    return _Working(_filled_up(picture), (h + 1) // 2, (w + 1) // 2, px_per_cell)


def _filled_up(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    down, right = -picture.shape[0] % 32, -picture.shape[1] % 32
    full = cv2.copyMakeBorder(picture, 0, down, 0, right, cv2.BORDER_REPLICATE)
    return np.asarray(full, np.uint8)


def _with_mirror(net: Any, working: _Working, out: F32) -> F32:
    """Mean of the net's answer ``out`` and that in the mirror.

    That raised F1 by 0.01 on the held-back photos.
    """
    n = working.cols_n
    mirrored = _run(net, _filled_up(working.picture[:, : 2 * n][:, ::-1]))
    return np.asarray((out[..., :n] + mirrored[..., :n][..., ::-1]) / 2, np.float32)


def _maps(out: F32, working: _Working) -> Maps:
    told = out[:, : working.rows_n, : working.cols_n]
    radius = np.exp(told[1]) * np.float32(RADIUS_UNIT_PX * working.px_per_cell / 2)
    return Maps(
        heatmap=_chance(told[0]),
        radius_px=np.asarray(radius, np.float32),
        wood=_chance(told[2]),
        px_per_cell=working.px_per_cell,
        source="trained",
        yellow=_chance(told[3]),
        visible=_chance(told[4]),
    )


def _run(net: Any, picture: NDArray[np.uint8]) -> F32:
    """Heat, log radius, wood, yellow and visible as the net tells them, at half the size."""
    out = in_bands(partial(_look, net), picture, stride_px=4)
    heat = out[:4].reshape(2, 2, *out.shape[1:]).transpose(2, 0, 3, 1)
    heat = heat.reshape(2 * out.shape[1], 2 * out.shape[2])
    size = (heat.shape[1], heat.shape[0])
    told = [heat, *(cv2.resize(out[k], size) for k in (4, 5, 6, 7))]
    return np.asarray(np.stack(told), np.float32)


def _look(net: Any, picture: NDArray[np.uint8]) -> F32:
    """The net's own channels, at a quarter of the size."""
    with _ONE_AT_A_TIME:  # the net keeps its input between the two calls
        # It keeps a copy: no name here, so that the original (30 MB) goes before the net runs.
        net.setInput(cv2.dnn.blobFromImage(picture, 1 / 255.0))
        return np.array(net.forward()[0], dtype=np.float32)


def _chance(odds: F32) -> F32:
    return np.asarray(expit(odds), np.float32)


def _usual_diameter(maps: Maps) -> float:
    """Median width in photo pixels of what the first pass is sure of; NaN if nothing."""
    top = cv2.dilate(maps.heatmap, np.ones((5, 5), np.uint8))
    peak = (maps.heatmap >= top) & (maps.heatmap >= SURE)
    return 2 * float(np.median(maps.radius_px[peak])) if peak.any() else float("nan")


def _averaged(one: F32, other: F32) -> F32:
    """Chance of fruit by two passes, of which the surer one has more of a say."""
    both = logit(np.clip([one, other], 1e-6, 1 - 1e-6))
    surer, weaker = both.max(axis=0), both.min(axis=0)
    odds = (1 - WEAKER_SHARE) * surer + WEAKER_SHARE * weaker + SHARED_SHIFT
    return np.asarray(expit(odds), np.float32)


def _together(one: Maps, other: Maps) -> Maps:
    """Both passes on the finer grid; what is told of a fruit comes from the surer pass."""
    fine, coarse = (one, other) if one.px_per_cell <= other.px_per_cell else (other, one)
    h, w = fine.heatmap.shape
    step = fine.px_per_cell / coarse.px_per_cell
    turn = np.array([[step, 0, (step - 1) / 2], [0, step, (step - 1) / 2]])
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP

    def moved(channel: F32) -> F32:
        warped = cv2.warpAffine(channel, turn, (w, h), flags=how, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(warped, np.float32)

    heat = moved(coarse.heatmap)
    use = heat > fine.heatmap
    return Maps(
        heatmap=_averaged(heat, fine.heatmap),
        radius_px=np.where(use, moved(coarse.radius_px), fine.radius_px),
        wood=np.asarray((moved(coarse.wood) + fine.wood) / 2, np.float32),
        px_per_cell=fine.px_per_cell,
        source=fine.source,
        yellow=np.where(use, moved(coarse.yellow), fine.yellow),
        visible=np.where(use, moved(coarse.visible), fine.visible),
    )
