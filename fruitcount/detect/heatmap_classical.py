"""Heatmap from colour, texture and radial symmetry: no model file, and quick.

Two looks. The first gives every cell a chance and a radius from :mod:`.heatmap_features`. The
second unrolls the best places (:mod:`fruitcount.detect.size`) and judges each as a whole. Both are
small fitted functions whose coefficients come with the package (``heatmap_classical.json``).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Self

import numpy as np
from scipy.special import expit

from fruitcount.detect.heatmap_features import (
    CELL_PX,
    cell_features,
    lab_of,
    light_corrected,
    mark_features,
)
from fruitcount.detect.size import find_rim
from fruitcount.errors import ModelUnavailableError
from fruitcount.image.opencv import cv2, known_factor, reduced_to, resampled, size_at, start_factor
from fruitcount.types import F32, FloatArray, Maps, Pixels, Scale

# Rows worked on together: few enough to stay in a core's cache, and for the matrix library not to
# start threads, which cost five times what they save while other work runs.
ROWS_AT_ONCE = 512


@dataclass(frozen=True, eq=False)
class Layers:
    """``out = relu(((x - middle) / spread) @ first + first_bias) @ second + second_bias``.

    Attributes
    ----------
    middle, spread : float32 arrays, shape (K,)
    first, first_bias : float32 arrays, shapes (K, H) and (H,)
    second, second_bias : float32 arrays, shapes (H, M) and (M,)
    """

    middle: F32
    spread: F32
    first: F32
    first_bias: F32
    second: F32
    second_bias: F32

    def __call__(self, x: F32) -> F32:
        """Values of the function, shape (N, K) to (N, M)."""
        out = np.empty((len(x), self.second.shape[1]), np.float32)
        for start in range(0, len(x), ROWS_AT_ONCE):
            some = x[start : start + ROWS_AT_ONCE] - self.middle
            some /= self.spread
            np.clip(some, -6, 6, out=some)
            hidden = some @ self.first
            hidden += self.first_bias
            np.maximum(hidden, 0, out=hidden)
            out[start : start + ROWS_AT_ONCE] = hidden @ self.second + self.second_bias
        return out

    def on_planes(self, planes: F32) -> F32:
        """Values of the function where each column lies in one piece, shape (K, N) to (M, N)."""
        first = np.ascontiguousarray((self.first / self.spread[:, None]).T)
        bias = (self.first_bias - first @ self.middle)[:, None]
        low, high = ((self.middle + k * self.spread)[:, None] for k in (-6, 6))
        second, last = np.ascontiguousarray(self.second.T), self.second_bias[:, None]
        out = np.empty((len(second), planes.shape[1]), np.float32)
        for start in range(0, planes.shape[1], ROWS_AT_ONCE):
            some = np.maximum(planes[:, start : start + ROWS_AT_ONCE], low)
            hidden = first @ np.minimum(some, high, out=some)
            hidden += bias
            np.maximum(hidden, 0, out=hidden)
            out[:, start : start + ROWS_AT_ONCE] = second @ hidden + last
        return out

    @classmethod
    def from_record(cls, record: dict[str, Any]) -> Self:
        """Read its parts from plain lists.

        Raises
        ------
        ModelUnavailableError
            When a part is missing or the shapes do not fit.
        """
        try:
            parts = {k: np.array(record[k], np.float32) for k in cls.__dataclass_fields__}
        except (KeyError, TypeError, ValueError) as error:
            raise ModelUnavailableError(f"coefficients: {error!r}") from error
        made = cls(**parts)
        k, hidden = made.first.shape
        if made.middle.shape != (k,) or made.second.shape[0] != hidden:
            raise ModelUnavailableError("coefficients: shapes do not fit each other")
        return made


COEFFICIENTS = Path(__file__).with_name("heatmap_classical.json")

# Working size against the net's: votes cost more than they gain from finer pixels.
SMALLER = 0.7

# Working long side without a scale.
LONG_SIDE_PX = 800.0

RADIUS_UNIT_PX = 8.0

# Places looked at twice together, best first; as long as some bear fruit, so many more. On 54
# photos 203 were looked at in the mean, and 5 of 674 marks lost; by fifties 137, and 16 lost.
CANDIDATES_AT_ONCE = 100

# Log-odds of the first look from which a place may be looked at twice. On 54 photos 4 of 674 marks
# lay lower, of 440 in a drawn crowd none. Lower finds a few more and is slower in a crowd.
LEAST_LOOK = -1.35

# Score from which a place looked at twice bears fruit, for the search to go on.
BEARS = 0.3

RIM_LOG_SD = 0.2


@dataclass(frozen=True, eq=False)
class Candidates:
    """Places worth a second look, in working pixels.

    Attributes
    ----------
    circles : float array, shape (N, 3)
        x, y, radius.
    look : float32 array, shape (N, J)
        Log-odds and log radius by the first look, and its features there.
    """

    circles: FloatArray
    look: F32

    def take(self, which: slice) -> Candidates:
        """Some of them."""
        return Candidates(self.circles[which], self.look[which])


@lru_cache(maxsize=2)
def read_coefficients(path: Path = COEFFICIENTS) -> tuple[Layers, Layers]:
    """Fitted functions of the first and the second look.

    Raises
    ------
    ModelUnavailableError
        When the file is missing or damaged.
    """
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        return Layers.from_record(record["first"]), Layers.from_record(record["second"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ModelUnavailableError(f"{path}: cannot be read as coefficients ({error})") from error


def classical_maps(photo_rgb: Pixels, scale: Scale) -> Maps:
    """Heatmap maps by colour, texture and radial symmetry.

    Parameters
    ----------
    photo_rgb : uint8 array, shape (rows, columns, 3)
    scale : Scale
        Where known, only fruit of 4-35 mm is looked for, at one working size.

    Returns
    -------
    Maps
        Bumps at the places that stood both looks; 0 elsewhere. ``wood`` is NaN: colour alone
        does not tell bark from soil well enough.
    """
    shape = photo_rgb.shape
    known = scale.known
    factor = SMALLER * known_factor(shape, scale) if known else start_factor(shape, LONG_SIDE_PX)
    rgb = light_corrected(_working(photo_rgb, factor))
    first, second = read_coefficients()
    places, cells = first_look(rgb, first)
    places, score, radius = _looked_at_twice(rgb, places, second)
    px_per_cell = CELL_PX * photo_rgb.shape[1] / rgb.shape[1]
    heat, radii = _bumps(places.circles, radius, score, cells)
    return Maps(
        heatmap=heat,
        radius_px=radii * np.float32(px_per_cell / CELL_PX),
        wood=np.full(heat.shape, np.nan, np.float32),
        px_per_cell=px_per_cell,
        source="classical",
    )


def _working(photo_rgb: Pixels, factor: float) -> Pixels:
    """The photo at a factor; large ones in two steps, in half the time.

    The first step leaves half as much again as is asked for. With it F1 on five photo sets was
    that of one step, 0.007 higher on the bundled samples; without that spare, 0.005 lower on one.
    """
    if factor >= 1:
        return resampled(photo_rgb, factor)
    return reduced_to(photo_rgb, size_at(photo_rgb, factor), spare=1.5)


def first_look(rgb: Pixels, first: Layers) -> tuple[Candidates, tuple[int, int]]:
    """Best places of a light-corrected working picture, and the size of the grid of cells.

    ``rgb`` has shape (rows, columns, 3).
    """
    features = cell_features(lab_of(rgb))
    rows, cols, k = features.shape
    planes = np.moveaxis(features, 2, 0)
    odds, log_radii = first.on_planes(planes.reshape(k, -1)).reshape(-1, rows, cols)
    soft = cv2.GaussianBlur(odds, (0, 0), 1.0)
    peak = (soft >= cv2.dilate(soft, np.ones((3, 3), np.uint8))) & (soft > LEAST_LOOK)
    row, col = np.nonzero(peak)
    best = np.argsort(-soft[row, col], kind="stable")
    row, col = row[best], col[best]
    log_radius = np.clip(log_radii[row, col], -1.2, 1.6)
    xy = np.stack([col, row], axis=1) * CELL_PX + (CELL_PX - 1) / 2
    circles = np.column_stack([xy, RADIUS_UNIT_PX * np.exp(log_radius)])
    look = np.column_stack([soft[row, col], log_radius, features[row, col]])
    return Candidates(circles.astype(np.float64), look.astype(np.float32)), (rows, cols)


def _looked_at_twice(
    rgb: Pixels, places: Candidates, second: Layers
) -> tuple[Candidates, FloatArray, FloatArray]:
    """The best places with their scores and radii, by the hundred until a hundred bears nothing."""
    scores, radii, upto = [], [], 0
    while upto < len(places.look):
        some = places.take(slice(upto, upto + CANDIDATES_AT_ONCE))
        score, radius = second_look(rgb, some, second)
        scores.append(score)
        radii.append(radius)
        upto += len(score)
        if not (score >= BEARS).any():
            break
    none: list[FloatArray] = [np.zeros(0)]
    return (
        places.take(slice(0, upto)),
        np.concatenate(none + scores),
        np.concatenate(none + radii),
    )


def second_look(rgb: Pixels, places: Candidates, second: Layers) -> tuple[FloatArray, FloatArray]:
    """Score, 0 to 1, and radius in working pixels of every candidate.

    ``rgb`` has shape (rows, columns, 3); both results shape (N,), one a candidate.
    """
    rim = find_rim(rgb, places.circles, RIM_LOG_SD)
    out = second(mark_features(rim, places.look)).astype(np.float64)
    return expit(out[:, 0]), places.circles[:, 2] * np.exp(np.clip(out[:, 1], -0.7, 0.7))


def _bumps(
    circles: FloatArray, radius: FloatArray, score: FloatArray, cells: tuple[int, int]
) -> tuple[F32, F32]:
    """A bell at each place, a third of a radius wide; each cell takes the highest.

    Places that score under 0.01 leave none: no limit is that low.
    """
    heat = np.zeros(cells, np.float32)
    radii = np.full(cells, np.nan, np.float32)
    told = score >= 0.01
    for (x, y, _), r, s in zip(circles[told], radius[told], score[told], strict=True):
        col, row = (x + 0.5) / CELL_PX - 0.5, (y + 0.5) / CELL_PX - 0.5
        sigma = max(0.33 * r / CELL_PX, 0.8)
        reach = int(2.5 * sigma) + 1
        top, left = max(0, int(row) - reach), max(0, int(col) - reach)
        window = np.s_[top : int(row) + reach + 2, left : int(col) + reach + 2]
        patch = heat[window]
        down, across = (np.arange(n, dtype=np.float32) for n in patch.shape)
        down = np.exp((down + np.float32(top - row)) ** 2 * np.float32(-0.5 / sigma**2))
        across = np.exp((across + np.float32(left - col)) ** 2 * np.float32(-0.5 / sigma**2))
        bell = np.multiply.outer(down * np.float32(s), across)
        higher = bell > patch
        patch[higher] = bell[higher]
        radii[window][higher] = np.float32(r)
    return heat, radii
