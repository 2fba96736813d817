"""Colour, texture and radial-symmetry features on a grid of cells, two working pixels wide."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitcount.image.opencv import cv2

__all__ = ["CELL_PX", "RADII_PX", "cell_features", "lab_of", "light_corrected", "radial_votes"]

F32 = NDArray[np.float32]

CELL_PX = 2
RADII_PX: tuple[float, ...] = (4.0, 6.0, 8.5, 12.0, 17.0, 24.0)
"""Fruit radii looked for, in working pixels: half-octave steps."""

USUAL_MEAN = 0.42
"""Mean of all channels after correction. Our choice: a usual daylight exposure."""

FEATURES_N = 4 * len(RADII_PX) + 14

MOST_VOTERS = 120_000
"""Pixels that vote at most: the strongest edges of the picture. More is slower."""


def light_corrected(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The picture after a grey-world gain.

    Parameters
    ----------
    rgb : uint8 array, shape (h, w, 3)

    Returns
    -------
    uint8 array, shape (h, w, 3)
        The gain (limited to 0.7-1.4 a channel, since foliage is truly green) makes the
        picture's mean neutral by half: colour then is told against this photo's own light.
        The whole is brought to one mean brightness, by a factor of 0.7 to 2.5.
    """
    mean = np.array(cv2.mean(rgb)[:3]) / 255 + 1e-3
    gain = np.clip(np.sqrt(mean.mean() / mean), 0.7, 1.4)
    gain *= np.clip(USUAL_MEAN / mean.mean(), 0.7, 2.5) / gain[1]
    table = np.clip(np.rint(np.arange(256)[:, None] * gain), 0, 255).astype(np.uint8)
    return np.asarray(cv2.LUT(rgb, table[None]), np.uint8)


def lab_of(rgb: NDArray[np.uint8]) -> F32:
    """CIE L*a*b* in float32."""
    return np.asarray(cv2.cvtColor(rgb.astype(np.float32) / 255, cv2.COLOR_RGB2LAB), np.float32)


def cell_features(lab: F32) -> F32:
    """Features of every cell.

    Parameters
    ----------
    lab : float32 array, shape (h, w, 3)
        From :func:`light_corrected`.

    Returns
    -------
    float32 array, shape (rows, cols, K)
        Votes for each radius; middle-against-surround contrast of L*, a*, b* at each radius;
        local spread of L* at three widths; colour of the place and of its surroundings against
        the picture's usual colour; and the picture's usual colour. Each feature is one piece of
        memory (a view of K planes), since each is made and used as a whole.
    """
    rows, cols = ((n + CELL_PX - 1) // CELL_PX for n in lab.shape[:2])
    light = lab[..., 0].copy()
    votes = radial_votes(light + 0.5 * lab[..., 2], (rows, cols))
    small = [_cells_of(channel, rows, cols) for channel in cv2.split(lab)]
    usual = [float(np.median(channel[::3, ::3])) for channel in small]
    fine = _cells_of(cv2.absdiff(light, _mean(light, 1.0)), rows, cols)
    planes = itertools.chain(
        (np.log1p(layer * np.float32(0.3)) for layer in np.moveaxis(votes, 2, 0)),
        (_mean(c, 0.35 * r) - _mean(c, 0.85 * r) for r in RADII_PX for c in small),
        (_spread(small[0], s) for s in (1.0, 2.5, 5.0)),
        (np.sqrt(_mean(fine, s)) * 5 for s in (1.5, 4.0)),
        (_mean(c, r) - u for r in (1.0, 16.0) for c, u in zip(small, usual, strict=True)),
        usual,
    )
    out = np.empty((FEATURES_N, rows, cols), np.float32)
    for plane, values in zip(out, planes, strict=True):
        plane[:] = values
    return np.moveaxis(out, 0, 2)


def _cells_of(channels: NDArray[Any], rows: int, cols: int) -> F32:
    return np.asarray(cv2.resize(channels, (cols, rows), interpolation=cv2.INTER_AREA), np.float32)


def _mean(channels: F32, half_width: float) -> F32:
    side = 2 * max(1, round(half_width)) + 1
    return np.asarray(cv2.blur(channels, (side, side)), np.float32)


def _spread(channel: F32, half_width: float) -> F32:
    mean = _mean(channel, half_width)
    square = _mean(channel * channel, half_width)
    return np.asarray(np.sqrt(np.maximum(square - mean * mean, 0.0)), np.float32)


def radial_votes(channel: F32, cells: tuple[int, int]) -> F32:
    """Votes of the gradients for disc centres, one layer a radius.

    Each edge pixel votes for the points one radius along and against its gradient, with the
    square root of the gradient's length (Loy and Zelinsky, "Fast radial symmetry for
    detecting points of interest", IEEE TPAMI 25(8), 2003, the idea of gradient voting).

    Parameters
    ----------
    channel : float32 array, shape (h, w)
    cells : tuple of int
        Rows and columns of the answer.

    Returns
    -------
    float32 array, shape (rows, cols, number of radii)
        The larger of inward and outward votes plus a quarter of the smaller, so that fruit
        brighter and darker than its surroundings both count, per unit of circumference.
    """
    gx = cv2.Sobel(channel, cv2.CV_32F, 1, 0, scale=0.125)
    gy = cv2.Sobel(channel, cv2.CV_32F, 0, 1, scale=0.125)
    length = cv2.magnitude(gx, gy)
    share = max(45.0, 100.0 * (1 - MOST_VOTERS / length.size))
    strong = np.flatnonzero(length > max(0.5, float(np.percentile(length[::4, ::4], share))))
    y, x = (v.astype(np.float32) for v in np.divmod(strong, channel.shape[1]))
    g = length.ravel()[strong]
    step = np.stack([gx.ravel()[strong] / g, gy.ravel()[strong] / g])
    weight = np.sqrt(np.minimum(g, 6.0))
    out = np.empty((len(RADII_PX), *cells), np.float32)
    for k, r in enumerate(RADII_PX):
        inward = _votes(x + r * step[0], y + r * step[1], weight, cells)
        outward = _votes(x - r * step[0], y - r * step[1], weight, cells)
        both = np.maximum(inward, outward) + 0.25 * np.minimum(inward, outward)
        sigma = max(0.8, 0.22 * r / CELL_PX)
        out[k] = cv2.GaussianBlur(both, (0, 0), sigma) * np.float32(sigma**2 / r * 4)
    return np.moveaxis(out, 0, 2)


def _votes(x: F32, y: F32, weight: F32, cells: tuple[int, int]) -> F32:
    h, w = cells
    column = ((x + 0.5) * (1 / CELL_PX)).astype(np.int32)
    row = ((y + 0.5) * (1 / CELL_PX)).astype(np.int32)
    inside = (column >= 0) & (column < w) & (row >= 0) & (row < h)
    flat = np.bincount((row * w + column)[inside], weights=weight[inside], minlength=h * w)
    return np.asarray(flat.reshape(h, w), np.float32)
