"""Bark as this photo shows it: its colours along the limb against the colours beside it.

A fixed rule for the colour of wood finds where a limb is, but sun, shade and sky shift colours
too much to measure thickness with it. So the colours inside the band are compared with those on
both sides, for each photo by itself.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from fruitcount.image.opencv import cv2
from fruitcount.types import FloatArray

_BINS = (16, 16, 16)


def bark_share(
    colours: FloatArray, offset_px: FloatArray, half_px: float, wood: FloatArray
) -> FloatArray:
    """How likely each sample of a straightened band is bark, 0 to 1.

    Parameters
    ----------
    colours : array, shape (stations, offsets, 3)
        RGB 0-255; NaN outside the photo.
    offset_px : array, shape (offsets,)
    half_px : float, px
        Expected half width of the limb.
    wood : array, shape (stations, offsets)
        First guess by the fixed rule or the trained map.

    Returns
    -------
    array, shape (stations, offsets)
        The first guess where too few samples are bark-like to learn from.
    """
    lab = _lab(colours)
    outside_photo = ~np.isfinite(colours).all(axis=2)
    inner = (np.abs(offset_px) <= 0.5 * half_px)[None, :] & (wood > 0.5) & ~outside_photo
    away = np.abs(offset_px)
    beside = ((away > 1.5 * half_px + 1) & (away <= 3 * half_px + 2))[None, :] & ~outside_photo
    beside = beside & (wood < 0.8)
    if inner.sum() < 40 or beside.sum() < 40:
        return np.where(outside_photo, 0.0, wood)
    index = _bins(lab)
    bark, other = _histogram(index[inner]), _histogram(index[beside])
    share = bark / (bark + other + 1e-12)
    # Colours seen in neither place stay with the first guess.
    known = (bark + other) > 1e-4
    out = np.where(known[index], share[index], wood)
    return np.where(outside_photo, 0.0, out)


def _lab(colours: FloatArray) -> NDArray[np.float32]:
    filled = np.nan_to_num(colours, nan=255.0).astype(np.float32) / np.float32(255)
    return np.asarray(cv2.cvtColor(filled, cv2.COLOR_RGB2LAB), np.float32)


def _bins(lab: NDArray[np.float32]) -> NDArray[np.int64]:
    """Flat bin number of each colour; lightness in even steps, a and b within +-48."""
    light = np.clip(lab[..., 0] / 100 * _BINS[0], 0, _BINS[0] - 1).astype(np.int64)
    a = np.clip((lab[..., 1] + 48) / 96 * _BINS[1], 0, _BINS[1] - 1).astype(np.int64)
    b = np.clip((lab[..., 2] + 48) / 96 * _BINS[2], 0, _BINS[2] - 1).astype(np.int64)
    return np.asarray((light * _BINS[1] + a) * _BINS[2] + b, np.int64)


def _histogram(index: NDArray[Any]) -> FloatArray:
    count = np.bincount(index, minlength=int(np.prod(_BINS))).reshape(_BINS).astype(np.float64)
    smooth = gaussian_filter(count, (1.2, 0.8, 0.8), mode="nearest").ravel()
    return np.asarray(smooth / max(float(smooth.sum()), 1e-12), np.float64)
