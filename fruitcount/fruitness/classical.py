"""Fruitness from colour, texture and radial symmetry: no model file, and quick.

Two looks. The first gives every cell a chance and a radius from :mod:`.features`. The second
unrolls the best places (:mod:`fruitcount.image.rim`) and judges each as a whole. Both are
small fitted functions whose coefficients come with the package (``classical.json``).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fruitcount.errors import ModelUnavailableError
from fruitcount.fruitness.features import CELL_PX, cell_features, lab_of, light_corrected
from fruitcount.fruitness.layers import Layers
from fruitcount.fruitness.marks import mark_features
from fruitcount.fruitness.resample import known_factor, resampled, start_factor
from fruitcount.image.opencv import cv2
from fruitcount.image.rim import find_rim
from fruitcount.types import FloatArray, Maps, Scale

__all__ = [
    "COEFFICIENTS",
    "Candidates",
    "classical_maps",
    "first_look",
    "read_coefficients",
    "second_look",
]

F32 = NDArray[np.float32]

COEFFICIENTS = Path(__file__).with_name("classical.json")

SMALLER = 0.7
"""Working size against the net's: votes cost more than they gain from finer pixels."""

LONG_SIDE_PX = 800.0
"""Working long side without a scale."""

RADIUS_UNIT_PX = 8.0
MOST_CANDIDATES = 300
"""Places looked at twice. More finds a few more fruit in crowded photos and is slower."""

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


def classical_maps(photo_rgb: NDArray[np.uint8], scale: Scale) -> Maps:
    """Fruitness maps by colour, texture and radial symmetry.

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
    rgb = light_corrected(resampled(photo_rgb, factor))
    first, second = read_coefficients()
    places, cells = first_look(rgb, first)
    score, radius = second_look(rgb, places, second)
    px_per_cell = CELL_PX * photo_rgb.shape[1] / rgb.shape[1]
    heat, radii = _bumps(places.circles, radius, score, cells)
    return Maps(
        fruitness=heat,
        radius_px=radii * np.float32(px_per_cell / CELL_PX),
        wood=np.full(heat.shape, np.nan, np.float32),
        px_per_cell=px_per_cell,
        source="classical",
    )


def first_look(rgb: NDArray[np.uint8], first: Layers) -> tuple[Candidates, tuple[int, int]]:
    """Best places of a light-corrected working picture, and the size of the grid of cells."""
    features = cell_features(lab_of(rgb))
    rows, cols, k = features.shape
    out = first(features.reshape(-1, k)).reshape(rows, cols, 2)
    soft = cv2.GaussianBlur(out[..., 0], (0, 0), 1.0)
    peak = soft >= cv2.dilate(soft, np.ones((3, 3), np.uint8))
    row, col = np.nonzero(peak)
    best = np.argsort(-soft[row, col], kind="stable")[:MOST_CANDIDATES]
    row, col = row[best], col[best]
    log_radius = np.clip(out[row, col, 1], -1.2, 1.6)
    xy = np.stack([col, row], axis=1) * CELL_PX + (CELL_PX - 1) / 2
    circles = np.column_stack([xy, RADIUS_UNIT_PX * np.exp(log_radius)])
    look = np.column_stack([soft[row, col], log_radius, features[row, col]])
    return Candidates(circles.astype(np.float64), look.astype(np.float32)), (rows, cols)


def second_look(
    rgb: NDArray[np.uint8], places: Candidates, second: Layers
) -> tuple[FloatArray, FloatArray]:
    """Score, 0 to 1, and radius in working pixels of every candidate."""
    rim = find_rim(rgb, places.circles, RIM_LOG_SD)
    out = second(mark_features(rim, places.look)).astype(np.float64)
    score = 1 / (1 + np.exp(-np.clip(out[:, 0], -30, 30)))
    return score, places.circles[:, 2] * np.exp(np.clip(out[:, 1], -0.7, 0.7))


def _bumps(
    circles: FloatArray, radius: FloatArray, score: FloatArray, cells: tuple[int, int]
) -> tuple[F32, F32]:
    """A bell at each place, a third of a radius wide; each cell takes the highest."""
    heat = np.zeros(cells, np.float32)
    radii = np.full(cells, np.nan, np.float32)
    for (x, y, _), r, s in zip(circles, radius, score, strict=True):
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
