"""Colour, texture and radial-symmetry features of a working picture, one value a pixel."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["RADII_PX", "light_corrected_lab", "radial_symmetry", "smoothness"]

F32 = NDArray[np.float32]

RADII_PX: tuple[float, ...] = (4.0, 6.0, 8.5, 12.0, 17.0, 24.0)
"""Fruit radii looked for on the working grid: half-octave steps over 5-35 mm at 26 px / 15 mm."""


def light_corrected_lab(rgb: NDArray[np.uint8]) -> F32:
    """CIE L*a*b* after a grey-world gain, in float32.

    Parameters
    ----------
    rgb : uint8 array, shape (h, w, 3)

    Returns
    -------
    float32 array, shape (h, w, 3)
        The gain (limited to 0.7-1.4 a channel, since foliage is truly green) makes the
        picture's mean neutral by half: colour then is told against this photo's own light.
    """
    small = rgb.astype(np.float32) / 255.0
    mean = small.reshape(-1, 3).mean(axis=0) + 1e-3
    gain = np.clip(np.sqrt(mean.mean() / mean), 0.7, 1.4).astype(np.float32)
    gain /= gain[1]
    return np.asarray(cv2.cvtColor(np.clip(small * gain, 0, 1), cv2.COLOR_RGB2LAB), np.float32)


def smoothness(lightness: F32, sigma_px: float = 2.5) -> F32:
    """0 to 1: how little the lightness varies within about ``sigma_px``.

    Fruit is smooth; leaf veins, edges and grass are not. 6 lightness units of standard
    deviation give 0.37 (measured on open orchard tiles: fruit 2-4, foliage 5-12).
    """
    mean = cv2.GaussianBlur(lightness, (0, 0), sigma_px)
    square = cv2.GaussianBlur(lightness * lightness, (0, 0), sigma_px)
    spread = np.sqrt(np.maximum(square - mean * mean, 0.0))
    return np.asarray(np.exp(-spread / 6.0), np.float32)


def radial_symmetry(channel: F32, radii_px: tuple[float, ...] = RADII_PX) -> tuple[F32, F32]:
    """Votes of the gradients for disc centres, and the radius that got most of them.

    Each pixel votes for the points one radius along and against its gradient, with the
    square root of the gradient's length (Loy and Zelinsky, "Fast radial symmetry for
    detecting points of interest", IEEE TPAMI 25(8), 2003, the idea of gradient voting).

    Parameters
    ----------
    channel : float32 array, shape (h, w)
    radii_px : tuple of float
        Radii tried; each costs one pass over the picture.

    Returns
    -------
    votes, radius_px : float32 arrays, shape (h, w)
        Votes are per unit of circumference, so radii compare.
    """
    h, w = channel.shape
    gx = cv2.Sobel(channel, cv2.CV_32F, 1, 0, scale=0.125)
    gy = cv2.Sobel(channel, cv2.CV_32F, 0, 1, scale=0.125)
    length = np.hypot(gx, gy)
    strong = np.flatnonzero(length > max(0.5, float(np.percentile(length[::4, ::4], 45))))
    y, x = np.divmod(strong, w)
    g = length.ravel()[strong]
    ux, uy = gx.ravel()[strong] / g, gy.ravel()[strong] / g
    weight = np.minimum(g, 6.0) ** 0.5
    best = np.full((h, w), -1.0, np.float32)
    radius = np.full((h, w), radii_px[0], np.float32)
    for r in radii_px:
        inward = _votes(x + r * ux, y + r * uy, weight, (h, w))
        outward = _votes(x - r * ux, y - r * uy, weight, (h, w))
        both = np.maximum(inward, 0.75 * outward) + 0.25 * np.minimum(inward, outward)
        smooth = cv2.GaussianBlur(both, (0, 0), max(0.8, 0.22 * r)) * np.float32(r**0.3)
        better = smooth > best
        best[better] = smooth[better]
        radius[better] = r
    return best, radius


def _votes(x: F32, y: F32, weight: F32, shape: tuple[int, int]) -> F32:
    h, w = shape
    column, row = np.rint(x).astype(np.int64), np.rint(y).astype(np.int64)
    inside = (column >= 0) & (column < w) & (row >= 0) & (row < h)
    flat = np.bincount(row[inside] * w + column[inside], weights=weight[inside], minlength=h * w)
    return flat.astype(np.float32).reshape(h, w)
