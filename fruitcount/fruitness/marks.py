"""What the second look of the classical source measures at each candidate."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitcount.image.rim import STEPS, Rim

__all__ = ["mark_features"]

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
    rings = np.stack([_ring(lab, *r).mean(axis=(1, 2)) for r in RINGS], axis=1)
    inner = _ring(lab, 0.1, 0.8)
    parts = [
        rings[:, 0],
        (rings[:, 1:] - rings[:, :1]).reshape(len(lab), -1),
        inner.std(axis=(1, 2)),
        np.abs(np.diff(inner, axis=1)).mean(axis=(1, 2)),
        np.abs(np.diff(inner, axis=2)).mean(axis=(1, 2)),
        _ring(lab, 1.0, 1.7).std(axis=(1, 2)),
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
    return lab[:, :, (low <= STEPS) & (high > STEPS)]


def _waves(values: NDArray[np.floating]) -> F32:
    """Size of the first three Fourier terms round the circle: one-sided, two-sided, lobed."""
    terms = np.fft.rfft(values, axis=1)[:, 1:4] / values.shape[1]
    return np.asarray(np.abs(terms), np.float32)
