"""Photos for the browser: a small whole one first, sharp pieces when zoomed in."""

from __future__ import annotations

import threading
from collections import OrderedDict
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitcount.errors import NotWrittenError
from fruitcount.files import written_whole
from fruitcount.image.opencv import cv2
from fruitcount.image.photo import read_photo
from fruitcount.types import Photo

__all__ = [
    "LARGEST_SIDE_PX",
    "hold",
    "photo_at",
    "piece_jpeg",
    "preview_jpeg",
    "shrink_jpeg",
    "shrink_png",
]

LARGEST_SIDE_PX = 2048
_JPEG = [cv2.IMWRITE_JPEG_QUALITY, 82]


_held: OrderedDict[Path, Photo] = OrderedDict()
_HELD = 2
_one_at_a_time = threading.RLock()


def photo_at(path: Path) -> Photo:
    """The decoded photo; the last two are held (50 MP is 150 MB)."""
    with _one_at_a_time:  # equal requests at once decode it once
        photo = _held.get(path)
        if photo is None:
            photo = read_photo(path)
            hold(path, photo)
        return photo


def hold(path: Path, photo: Photo) -> None:
    """Hold a photo that was decoded already, as one just uploaded."""
    with _one_at_a_time:
        _held[path] = photo
        _held.move_to_end(path)
        while len(_held) > _HELD:
            _held.popitem(last=False)


def preview_jpeg(path: Path, side_px: int = LARGEST_SIDE_PX) -> bytes:
    """The whole photo, its long side at most ``side_px``; kept beside the photo once made."""
    side_px = int(min(max(side_px, 64), LARGEST_SIDE_PX))
    kept = path.with_name(f"{path.name}.{side_px}.jpg")
    if kept.exists():
        return kept.read_bytes()
    data = shrink_jpeg(photo_at(path).rgb, side_px)
    # each request writes its own draft; a folder that cannot be written still shows its photos
    with suppress(NotWrittenError), written_whole(kept.parent) as draft:
        (draft / kept.name).write_bytes(data)
    return data


def piece_jpeg(path: Path, box: tuple[int, int, int, int]) -> bytes:
    """A piece of the photo as sharp as it is, or as ``LARGEST_SIDE_PX`` allows.

    Parameters
    ----------
    path : Path
    box : tuple of (x, y, width, height), px
        Cut to what lies in the photo.
    """
    rgb = photo_at(path).rgb
    x, y = (int(np.clip(v, 0, n - 1)) for v, n in zip(box[:2], rgb.shape[1::-1], strict=True))
    piece = rgb[y : y + max(1, box[3]), x : x + max(1, box[2])]
    return shrink_jpeg(piece, LARGEST_SIDE_PX)


def shrink_jpeg(rgb: NDArray[Any], side_px: int) -> bytes:
    """Encode, made smaller if its long side is over ``side_px``."""
    scale = side_px / max(rgb.shape[:2])
    if scale < 1:
        size = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), _JPEG)
    if not done:
        raise RuntimeError("the picture could not be encoded")
    return bytes(data)


def shrink_png(rgb: NDArray[Any], side_px: int) -> bytes:
    """The same as PNG, for drawings."""
    scale = side_px / max(rgb.shape[:2])
    if scale < 1:
        rgb = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".png", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR))
    if not done:
        raise RuntimeError("the picture could not be encoded")
    return bytes(data)
