"""What the classical source measures: at each place of a grid, then at each candidate.

Colour, texture and radial symmetry on cells two working pixels wide; rings of colour round a
candidate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitcount.detect.size import STEPS, Rim
from fruitcount.image.opencv import cv2
from fruitcount.types import F32, FloatArray, Pixels

CELL_PX = 2

# Fruit radii looked for, in working pixels: half-octave steps.
RADII_PX: tuple[float, ...] = (4.0, 6.0, 8.5, 12.0, 17.0, 24.0)

# Mean of all channels after correction. Our choice: a usual daylight exposure.
USUAL_MEAN = 0.42

FEATURES_N = 4 * len(RADII_PX) + 14

# Pixels that vote at most: the strongest edges of the picture. More is slower.
MOST_VOTERS = 120_000


def light_corrected(rgb: Pixels) -> Pixels:
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


def lab_of(rgb: Pixels) -> F32:
    """CIE L*a*b* in float32.

    sRGB of shape (rows, columns, 3) to L 0-100, a and b of the same shape.
    """
    share = cv2.LUT(rgb, np.arange(256, dtype=np.float32) / np.float32(255))
    return np.asarray(cv2.cvtColor(share, cv2.COLOR_RGB2LAB), np.float32)


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
    light, a, b = (np.asarray(channel, np.float32) for channel in cv2.split(lab))
    votes = radial_votes(light + np.float32(0.5) * b, (rows, cols))
    small = [_cells_of(channel, rows, cols) for channel in (light, a, b)]
    usual = [float(np.median(channel[::3, ::3])) for channel in small]
    fine = _cells_of(cv2.absdiff(light, _mean(light, 1.0)), rows, cols)
    out = np.empty((FEATURES_N, rows, cols), np.float32)
    plane = iter(out)  # each is written where it stays: memory taken anew costs more than the sums
    for layer in np.moveaxis(votes, 2, 0):
        np.log1p(layer * np.float32(0.3), out=next(plane))
    aside = np.empty((rows, cols), np.float32)
    for r in RADII_PX:
        for channel in small:
            middle = _mean(channel, 0.35 * r, next(plane))
            middle -= _mean(channel, 0.85 * r, aside)
    for half_width in (1.0, 2.5, 5.0):
        next(plane)[:] = _spread(small[0], half_width)
    for half_width in (1.5, 4.0):
        grain = _mean(fine, half_width, next(plane))
        np.sqrt(grain, out=grain)
        grain *= 5
    for r in (1.0, 16.0):
        for channel, level in zip(small, usual, strict=True):
            around = _mean(channel, r, next(plane))
            around -= np.float32(level)
    for level in usual:
        next(plane)[:] = level
    return np.moveaxis(out, 0, 2)


def _cells_of(channels: NDArray[Any], rows: int, cols: int) -> F32:
    return np.asarray(cv2.resize(channels, (cols, rows), interpolation=cv2.INTER_AREA), np.float32)


def _mean(channel: F32, half_width: float, out: F32 | None = None) -> F32:
    side = 2 * max(1, round(half_width)) + 1
    return np.asarray(cv2.blur(channel, (side, side), dst=out), np.float32)


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
    y, x = (v.astype(np.float32) for v in np.divmod(strong.astype(np.int32), channel.shape[1]))
    g = length.ravel()[strong]
    weight = np.sqrt(np.minimum(g, 6.0))
    g *= CELL_PX
    at_x, at_y = (np.asarray((v + np.float32(0.5)) / CELL_PX, np.float32) for v in (x, y))
    voters = _Voters(cells, at_x, at_y, weight.astype(np.float64))
    step_x, step_y = (np.asarray(v.ravel()[strong] / g, np.float32) for v in (gx, gy))
    out = np.empty((len(RADII_PX), *cells), np.float32)
    for k, r in enumerate(RADII_PX):
        inward, outward = (voters.votes(step_x, step_y, way) for way in (r, -r))
        both = np.maximum(inward, outward) + 0.25 * np.minimum(inward, outward)
        sigma = max(0.8, 0.22 * r / CELL_PX)
        out[k] = cv2.GaussianBlur(both, (0, 0), sigma) * np.float32(sigma**2 / r * 4)
    return np.moveaxis(out, 0, 2)


@dataclass(frozen=True, eq=False)
class _Voters:
    """Edge pixels: where they stand, in cells from the picture's corner, and their weight."""

    cells: tuple[int, int]
    x: F32
    y: F32
    weight: FloatArray

    def votes(self, step_x: F32, step_y: F32, times: float) -> F32:
        """Sum of weights in each cell after so many steps, at most the largest radius."""
        rim = math.ceil(max(RADII_PX) / CELL_PX) + 1  # catches the steps beyond the frame
        h, w = (n + 2 * rim for n in self.cells)
        row = np.floor(self.y + np.float32(times) * step_y + rim)
        column = np.floor(self.x + np.float32(times) * step_x + rim)
        row *= w
        row += column
        flat = np.bincount(row.astype(np.intp), weights=self.weight, minlength=h * w)
        wide = flat.reshape(h, w)[rim - 1 : h - rim, rim - 1 : w - rim].astype(np.float32)
        # Up to a cell before the first row or column counts to that.
        wide[1] += wide[0]
        wide[:, 1] += wide[:, 0]
        return np.asarray(wide[1:, 1:], np.float32)


RINGS = ((0.1, 0.45), (0.45, 0.8), (0.8, 1.0), (1.0, 1.25), (1.25, 1.7))
PLAIN = 0.22


def mark_features(rim: Rim, first_look: F32) -> F32:
    """Features of every candidate circle.

    Parameters
    ----------
    rim : Rim
        Around the candidates, on light-corrected colours.
    first_look : float32 array, shape (N, J)
        What the first look found there.

    Returns
    -------
    float32 array, shape (N, K)
        Ring colours against the middle, texture, shading, and how whole the rim is.
    """
    lab, plain = rim.lab, rim.plain
    middle = _ring_mean(_ring(lab, *RINGS[0]))
    # a whole row of steps at a time, since rows of three colours are slow
    rows = lab.reshape(*lab.shape[:2], -1) - np.tile(middle, len(STEPS))[:, None]
    apart = rows.reshape(lab.shape)
    inner = _ring(apart, 0.1, 0.8)
    parts = [
        middle,
        np.concatenate([_ring_mean(_ring(apart, *r)) for r in RINGS[1:]], axis=1),
        _ring_spread(inner),
        _ring_mean(np.abs(np.diff(inner, axis=1))),
        _ring_mean(np.abs(np.diff(inner, axis=2))),
        _ring_spread(_ring(apart, 1.0, 1.7)),
        *(
            _waves(_ring(lab, low, high)[..., 0].mean(2))
            for low, high in ((0.5, 0.85), (1.05, 1.4))
        ),
        _waves(plain),
        plain.mean(1)[:, None],
        (plain >= PLAIN).mean(1)[:, None],
        np.sort(plain, axis=1)[:, 6::12],
        rim.rho.mean(1)[:, None],
        rim.rho.std(1)[:, None],
        np.abs(np.diff(rim.rho, axis=1)).mean(1)[:, None],
        rim.own[:, :, :19].mean(axis=(1, 2))[:, None],
        first_look,
    ]
    return np.concatenate(parts, axis=1).astype(np.float32)


def _ring(lab: F32, low: float, high: float) -> F32:
    first, last = np.searchsorted(STEPS, (low, high))
    return lab[:, :, first:last]


def _ring_mean(strips: F32) -> F32:
    """Over angles, then steps: so the sums run along memory."""
    return np.asarray(strips.mean(axis=1).mean(axis=1), np.float32)


def _ring_spread(strips: F32) -> F32:
    """Standard deviation over angles and steps of values not far from 0."""
    square = _ring_mean(strips * strips) - _ring_mean(strips) ** 2
    return np.asarray(np.sqrt(np.maximum(square, 0)), np.float32)


def _waves(values: NDArray[np.floating]) -> F32:
    """Size of the first three Fourier terms round the circle: one-sided, two-sided, lobed."""
    terms = np.fft.rfft(values, axis=1)[:, 1:4] / values.shape[1]
    return np.asarray(np.abs(terms), np.float32)
