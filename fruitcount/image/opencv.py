"""The one place that imports OpenCV, so that a missing system library has one clear answer.

Pictures at other sizes and places: smaller copies, and samples at any position. The working grid of
the detectors is a photo resampled so that a fruitlet is about as wide as the maps expect. Without a
scale the limb net looks at other sizes as well: :mod:`fruitcount.whole_photo`.
"""

from __future__ import annotations

import os
import weakref
from collections.abc import Callable
from functools import lru_cache, wraps
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from fruitcount.errors import ModelUnavailableError
from fruitcount.types import FloatArray, Pixels, Scale

try:
    import cv2 as cv2  # noqa: PLC0414  (others take it from here)
except ImportError as error:  # libGL or glib missing: usual on a bare Debian or in a container
    raise ImportError(
        "OpenCV could not be loaded: "
        f"{error}\nOn Debian or Ubuntu this line mends it:\n"
        "apt-get install -y --no-install-recommends libgl1 libglib2.0-0"
    ) from error

# their words about damaged files mean nothing to a grower; ours name the file
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)


# Of the scale cards: ArUco's 4 x 4 cells with 50 numbers. The library's own name, printed on the
# sheet, so that any reader of markers can be set.
PATTERN_NAME = "DICT_4X4_50"


def card_pattern() -> Any:
    """OpenCV's dictionary of the scale cards' pattern."""
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, PATTERN_NAME))


def net_at(path: Path) -> Any:
    """A net from its ONNX file, ready to run.

    Raises
    ------
    ModelUnavailableError
        When the file cannot be read as a net.
    """
    return _net(str(path), path.stat().st_mtime)


@lru_cache(maxsize=1)  # one at a time: each holds 0.2 to 0.3 GB once it ran, reading takes 0.04 s
def _net(path: str, stamp: float) -> Any:
    del stamp  # part of the key: a replaced file is read again
    try:
        return cv2.dnn.readNetFromONNX(path)
    except cv2.error as error:
        raise ModelUnavailableError(f"{path}: cannot be read as a net ({error.err})") from error


Answer = TypeVar("Answer")

# Width of a usual (15 mm) fruitlet on the working grid, in working pixels, for maps and marks.
FRUIT_PX = 26.0

# A wanted size may be missed by this share where the size itself matters little.
NEAR_WHOLE = 0.1


def whole_step(factor: float) -> float:
    """The nearest one-over-a-whole-number to a factor, where that is near; else the factor.

    Whole pixels are averaged much sooner than parts of them.
    """
    whole = 1 / max(1, round(1 / factor))
    return whole if abs(whole / factor - 1) < NEAR_WHOLE else factor


def size_at(picture: Pixels, factor: float) -> tuple[int, int]:
    """Columns and rows, at least 1, of a picture of shape (rows, columns, ...) made so large."""
    rows, columns = picture.shape[:2]
    return max(1, round(columns * factor)), max(1, round(rows * factor))


def zoomed(picture: Pixels, zoom: float) -> Pixels:
    """The picture so many times as large, at least one pixel each way.

    Shape (rows, columns, 3), which the result has with other rows and columns.
    """
    how = cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(picture, size_at(picture, zoom), interpolation=how), np.uint8)


def reduced_to(picture: Pixels, size: tuple[int, int], *, spare: float = 1.0) -> Pixels:
    """A smaller copy by area averaging.

    The picture is first halved as often as it stays at least as large as asked for: the mean of
    two by two pixels is ten times as quick as an average of areas that cut through pixels (4
    against 45 ms for 12 megapixels on one core), which then has a quarter of the work. Against
    one single average a value differs by 0.3 of 255 in the mean where the last step is to less
    than a third, by 0.8 to 2.7 where it is to just over half.

    Parameters
    ----------
    picture : uint8 array, shape (rows, columns) or (rows, columns, 3)
    size : tuple of (columns, rows)
        At most as large as the picture.
    spare : float
        Halving leaves the picture at least so many times as wide as asked for. Larger is nearer to
        one single average, and slower.

    Returns
    -------
    uint8 array
    """
    columns, rows = size
    while True:
        h, w = picture.shape[:2]
        if h % 2 or w % 2 or h < 2 * spare * rows or w < 2 * spare * columns:
            break
        picture = halved(picture)
    if (w, h) == size:
        return picture
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)


def of_last_photo(work: Callable[[Pixels], Answer]) -> Callable[[Pixels], Answer]:
    """Keep a function's answer for the last photo, as long as that photo lives.

    Several stages ask the same of one photo in turn. Only a picture that cannot be written to is
    remembered, of shape (rows, columns, 3), as :func:`fruitcount.read_photo` gives them.
    """
    last: list[tuple[weakref.ref[Pixels], Answer]] = []

    @wraps(work)
    def answer(picture: Pixels) -> Answer:
        for photo, kept in last[-1:]:
            if photo() is picture:
                return kept
        out = work(picture)
        if not picture.flags.writeable and picture.base is None:
            last[:] = [(weakref.ref(picture, lambda _: last.clear()), out)]
        return out

    return answer


@of_last_photo
def halved(picture: Pixels) -> Pixels:
    """The mean of two by two pixels; an odd last row or column is left out.

    Shape (rows, columns, 3) to (rows // 2, columns // 2, 3).
    """
    h, w = picture.shape[:2]
    even = picture[: h - h % 2 or h, : w - w % 2 or w]
    size = (max(1, even.shape[1] // 2), max(1, even.shape[0] // 2))
    half = np.asarray(cv2.resize(even, size, interpolation=cv2.INTER_AREA), np.uint8)
    half.setflags(write=picture.flags.writeable)
    return half.view()  # a view is not remembered: the half of a half must not take its place


def vertex(before: FloatArray, at: FloatArray, after: FloatArray) -> FloatArray:
    """Where between steps a parabola through three values is highest, in steps; 0 without a peak.

    All of one shape, which the answer has too.
    """
    bend = before - 2 * at + after
    safe = np.where(bend < -1e-9, bend, -1.0)
    return np.asarray(np.clip(np.where(bend < -1e-9, 0.5 * (before - after) / safe, 0), -0.5, 0.5))


def sample_grid(picture: NDArray[Any], x_px: FloatArray, y_px: FloatArray) -> FloatArray:
    """Bilinear samples of a picture at any 2-D grid of positions; NaN outside.

    Parameters
    ----------
    picture : array, shape (rows, columns) or (rows, columns, channels)
    x_px, y_px : arrays of one shape (n, m)

    Returns
    -------
    float array, shape (n, m) or (n, m, channels)
    """
    rows, columns = picture.shape[:2]
    # OpenCV's remap needs fewer than 32768 columns in map and source; crop to what is asked for.
    left = int(np.clip(np.floor(np.nanmin(x_px)) - 1, 0, max(columns - 2, 0)))
    top = int(np.clip(np.floor(np.nanmin(y_px)) - 1, 0, max(rows - 2, 0)))
    right = int(np.clip(np.ceil(np.nanmax(x_px)) + 2, left + 1, columns))
    bottom = int(np.clip(np.ceil(np.nanmax(y_px)) + 2, top + 1, rows))
    crop = picture[top:bottom, left:right]
    # Floats keep the interpolated value whole; a large crop stays as it is (146 MB at 12 MP).
    if crop.dtype != np.uint8 or crop.size < 3_000_000:
        crop = crop.astype(np.float32)
    map_x = np.asarray(x_px - left, np.float32)
    map_y = np.asarray(y_px - top, np.float32)
    found = cv2.remap(crop, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    out = np.asarray(found, np.float64)
    outside = (x_px < 0) | (y_px < 0) | (x_px > columns - 1) | (y_px > rows - 1)
    out[outside] = np.nan
    return out


# The middle of the thinning sizes looked for (4-35 mm).
FRUIT_MM = 15.0

# Largest working picture. Keeps a 12 MP photo within its time; larger is slower.
MOST_PIXELS = 2.6e6

# Width at which the fruit net sees a fruitlet best. Against 26 (:data:`FRUIT_PX`) F1 on the
# held-back photos, which have no scale, was higher by 0.01, and on 63 renders that no net was
# trained on, at their known scale, by 0.05; 44 served apples worse.
LIKED_PX = 38.0

# Pixels of the fruit net's look where no scale is known.
MOST_AT_FIRST = 0.8e6

# Pixels of its finer look, where the fruit are small.
MOST_FINER = 1.5e6

MOST_ENLARGING = 2.5


def bounded_factor(factor: float, shape: tuple[int, ...], most_px: float = MOST_PIXELS) -> float:
    """A factor held to :data:`MOST_ENLARGING` and to so many pixels of the working picture."""
    room = float(np.sqrt(most_px / (shape[0] * shape[1])))
    return min(factor, MOST_ENLARGING, room)


def known_factor(shape: tuple[int, ...], scale: Scale) -> float:
    """Resampling factor for a photo whose scale is known.

    Parameters
    ----------
    shape : tuple
        Rows and columns of the photo first.
    scale : Scale
        Known.

    Returns
    -------
    float
        Working pixels per photo pixel: a fruitlet of 15 mm becomes :data:`FRUIT_PX` wide.
    """
    return bounded_factor(FRUIT_PX / (FRUIT_MM * scale.px_per_mm), shape)


def liked_factor(shape: tuple[int, ...], scale: Scale) -> float:
    """The factor of :func:`known_factor`, or larger, up to :data:`LIKED_PX` a fruitlet.

    It is larger only where half of :data:`MOST_PIXELS` does for that, so that a look in the mirror
    is not lost by it.
    """
    liked = LIKED_PX / (FRUIT_MM * scale.px_per_mm)
    return max(known_factor(shape, scale), bounded_factor(liked, shape, MOST_PIXELS / 2))


def start_factor(shape: tuple[int, ...], long_side_px: float = 1024.0) -> float:
    """Factor of a look when no scale is known: the long side to ``long_side_px``."""
    return bounded_factor(min(1.0, long_side_px / max(shape[0], shape[1])), shape, MOST_AT_FIRST)


def finer_factor(shape: tuple[int, ...]) -> float:
    """Factor of the finer look when no scale is known: as large as :data:`MOST_FINER` allows."""
    return bounded_factor(MOST_ENLARGING, shape, MOST_FINER)


def resampled(photo_rgb: Pixels, factor: float) -> Pixels:
    """The photo at ``factor`` working pixels a photo pixel.

    Shape (rows, columns, 3) before and after.

    Area averaging when shrinking, so that fine leaf texture does not alias.
    """
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    return np.asarray(
        cv2.resize(photo_rgb, size_at(photo_rgb, factor), interpolation=how), np.uint8
    )
