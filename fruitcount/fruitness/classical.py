"""Fruitness from colour, texture and radial symmetry alone: no model file, and quick."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitcount.fruitness.features import (
    F32,
    light_corrected_lab,
    radial_symmetry,
    smoothness,
)
from fruitcount.fruitness.resample import known_factor, resampled, start_factor
from fruitcount.types import Maps, Scale

__all__ = ["classical_maps"]

CLASSICAL_FRUIT_PX = 18.0
"""Working width of a 15 mm fruitlet here: less than the net's, since votes cost more."""


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
        ``wood`` is NaN: colour alone does not tell bark from soil well enough.
    """
    shape = photo_rgb.shape
    factor = known_factor(shape, scale) * 0.7 if scale.known else start_factor(shape, 800.0)
    rgb = resampled(photo_rgb, factor)
    lab = light_corrected_lab(rgb)
    votes, radius = radial_symmetry(lab[..., 0] + 0.5 * lab[..., 2])
    fruitness = _combined(votes, lab)
    px_per_cell = photo_rgb.shape[1] / rgb.shape[1]
    return Maps(
        fruitness=fruitness,
        radius_px=radius * np.float32(px_per_cell),
        wood=np.full(fruitness.shape, np.nan, np.float32),
        px_per_cell=px_per_cell,
        source="classical",
    )


def _combined(votes: F32, lab: F32) -> F32:
    """Votes relative to this picture's own level, held down where colour or texture disagree."""
    level = np.percentile(votes[::2, ::2], [50, 99.5])
    symmetric = np.clip((votes - level[0]) / max(level[1] - level[0], 1e-6), 0, 1.3) / 1.3
    a, b = (cv2.GaussianBlur(lab[..., i], (0, 0), 1.5) for i in (1, 2))
    plant = 1.0 / (1.0 + np.exp(-(b - 8.0) / 4.0)) / (1.0 + np.exp((a - 12.0) / 4.0))
    calm = smoothness(lab[..., 0])
    return np.asarray(symmetric * plant * (0.5 + 0.5 * calm), np.float32)
