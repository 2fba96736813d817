"""Heatmap from the trained nets in ``models/``, run by OpenCV: no run-time dependency more.

A large picture is looked at band after band, so that the net's memory is that of one band. The
bands overlap, because near a cut the net answers a little otherwise than inside the picture.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from fruitcount.errors import ModelUnavailableError
from fruitcount.files import models_folder
from fruitcount.image.opencv import (
    MOST_PIXELS,
    cv2,
    finer_factor,
    liked_factor,
    net_at,
    resampled,
    start_factor,
)
from fruitcount.types import F32, Maps, Pixels, Scale
from fruitcount.whole_photo import asked, filled_up, fruit_channels, fruit_maps, whole_photo

# Largest picture, in pixels, that the net sees in one go: it holds about 135 bytes a pixel.
MOST_AT_ONCE = 2.1e6

# What a band sees beyond what it tells. On 16 samples cut in two, the heatmap this far from the cut
# differed by at most 0.003 from that of the whole picture; at 192 by 0.03, at 96 by 0.07.
HALO_PX = 256

# The net's coarsest cell: bands begin at multiples, or the cells would lie otherwise.
STEP_PX = 32


@dataclass(frozen=True)
class Band:
    """A stretch of rows or columns.

    Attributes
    ----------
    start_px, stop_px : int
        What the net looks at.
    told_from_px, told_to_px : int
        What is kept of its answer; these of all bands lie end to end.
    """

    start_px: int
    stop_px: int
    told_from_px: int
    told_to_px: int


def bands_of(long_px: int, short_px: int, *, most_px: float = MOST_AT_ONCE) -> list[Band]:
    """Cut a picture across its long side, into as few bands as hold to ``most_px``.

    Parameters
    ----------
    long_px, short_px : int
        Sides of the picture, the long one a multiple of 32.
    most_px : float
        Largest band, in pixels. Raising it takes more memory and, with fewer bands, less time.

    Returns
    -------
    list of Band
        All equally long, so that the net keeps its memory from one to the next.
    """
    for count in range(1, long_px // STEP_PX + 1):
        told = -(-long_px // (count * STEP_PX)) * STEP_PX
        length = min(long_px, told + HALO_PX * min(count - 1, 2))
        if length * short_px <= most_px:
            break
    seams = range(0, long_px, told)
    starts = [min(max(0, seam - HALO_PX), long_px - length) for seam in seams]
    return [
        Band(start, start + length, seam, min(seam + told, long_px))
        for start, seam in zip(starts, seams, strict=True)
    ]


def in_bands(
    look: Callable[[Pixels], F32], picture: Pixels, *, stride_px: int, most_px: float = MOST_AT_ONCE
) -> F32:
    """What ``look`` answers for the whole picture, asked band by band.

    Parameters
    ----------
    look : callable
        Takes a picture, returns channels of shape (n, rows / stride_px, columns / stride_px).
    picture : uint8 array, shape (rows, columns, 3)
        Sides multiples of 32.
    stride_px : int
        Picture pixels a cell of the answer.
    most_px : float
        See :func:`bands_of`.

    Returns
    -------
    float32 array
        As ``look`` would answer the whole.
    """
    rows, cols = picture.shape[:2]
    wide = cols >= rows
    told = []
    for band in bands_of(max(rows, cols), min(rows, cols), most_px=most_px):
        seen, kept = slice(band.start_px, band.stop_px), _cells(band, stride_px)
        out = look(picture[:, seen] if wide else picture[seen])
        told.append(out[..., kept] if wide else out[:, kept])
    return told[0] if len(told) == 1 else np.concatenate(told, axis=2 if wide else 1)


def _cells(band: Band, stride_px: int) -> slice:
    first = band.told_from_px - band.start_px
    return slice(first // stride_px, (first + band.told_to_px - band.told_from_px) // stride_px)


# Peaks at least so high vote for the usual width of fruit.
SURE = 0.35

# Usual width in the first picture under which a finer look pays more than one in the mirror.
SMALL_PX = 24.0


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
