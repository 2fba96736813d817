"""Sub-pixel positions of edges along profiles, shared by the card and the limb measurements."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitcount.image.opencv import cv2
from fruitcount.types import FloatArray

__all__ = ["linear_light", "sample_grid"]


def linear_light(values: NDArray[Any]) -> FloatArray:
    """SRGB values 0-255 to linear light 0-1 (IEC 61966-2-1).

    Lenses blur light, not sRGB numbers; on the linear scale the middle of a blurred edge is the
    edge, on the sRGB scale it lies on the dark side of it.
    """
    v = np.asarray(values, np.float64) / 255.0
    out: FloatArray = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
    return out


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
