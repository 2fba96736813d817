"""What the second look of the classical source measures at each candidate."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitcount.image.rim import STEPS, Rim

F32 = NDArray[np.float32]

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
    middle = _mean(_ring(lab, *RINGS[0]))
    # a whole row of steps at a time, since rows of three colours are slow
    rows = lab.reshape(*lab.shape[:2], -1) - np.tile(middle, len(STEPS))[:, None]
    apart = rows.reshape(lab.shape)
    inner = _ring(apart, 0.1, 0.8)
    parts = [
        middle,
        np.concatenate([_mean(_ring(apart, *r)) for r in RINGS[1:]], axis=1),
        _spread(inner),
        _mean(np.abs(np.diff(inner, axis=1))),
        _mean(np.abs(np.diff(inner, axis=2))),
        _spread(_ring(apart, 1.0, 1.7)),
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


def _mean(strips: F32) -> F32:
    """Over angles, then steps: so the sums run along memory."""
    return np.asarray(strips.mean(axis=1).mean(axis=1), np.float32)


def _spread(strips: F32) -> F32:
    """Standard deviation over angles and steps of values not far from 0."""
    square = _mean(strips * strips) - _mean(strips) ** 2
    return np.asarray(np.sqrt(np.maximum(square, 0)), np.float32)


def _waves(values: NDArray[np.floating]) -> F32:
    """Size of the first three Fourier terms round the circle: one-sided, two-sided, lobed."""
    terms = np.fft.rfft(values, axis=1)[:, 1:4] / values.shape[1]
    return np.asarray(np.abs(terms), np.float32)
