"""Chances as log-odds and back."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fruitcount.fruitlets import FloatArray

__all__ = ["chance_of", "log_odds"]


def log_odds(chance: ArrayLike, floor: float) -> FloatArray:
    """ln(p / (1 - p)).

    Parameters
    ----------
    chance : array of float
        0 to 1; NaN stays NaN.
    floor : float
        Chances are held to ``floor`` to ``1 - floor``, so that a sure one stays finite and no
        single answer drowns all others. Larger trusts sure answers less.
    """
    held = np.clip(np.asarray(chance, np.float64), floor, 1 - floor)
    return np.asarray(np.log(held / (1 - held)), np.float64)


def chance_of(odds: ArrayLike) -> FloatArray:
    """The chance, 0 to 1, of log-odds; the other way round of :func:`log_odds`."""
    held = np.clip(np.asarray(odds, np.float64), -50, 50)  # beyond, exp runs over
    return np.asarray(1 / (1 + np.exp(-held)), np.float64)
