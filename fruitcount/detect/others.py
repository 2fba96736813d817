"""Each mark against the other marks of its photo."""

from __future__ import annotations

import numpy as np

from fruitcount.types import FloatArray

__all__ = ["FEWEST", "apart_from_others"]

FEWEST = 4
"""With fewer marks nothing is told against the others."""


def apart_from_others(values: FloatArray, weight: FloatArray) -> FloatArray:
    """Each row less the weighted median of all other rows; 0 with too few rows.

    Parameters
    ----------
    values : float array, shape (N, K)
    weight : float array, shape (N,)
        Above 0. How much each row counts among the others of a row.

    Returns
    -------
    float array, shape (N, K)
    """
    n = len(values)
    if n < FEWEST:
        return np.zeros_like(values, np.float64)
    usual = [_middle(np.delete(values, i, 0), np.delete(weight, i)) for i in range(n)]
    return np.asarray(values - np.array(usual), np.float64)


def _middle(values: FloatArray, weight: FloatArray) -> FloatArray:
    """Weighted median of each column."""
    order = np.argsort(values, axis=0, kind="stable")
    ranked = np.cumsum(weight[order], axis=0)
    at = (ranked >= ranked[-1] / 2).argmax(axis=0)
    ranked_values = np.take_along_axis(values, order, axis=0)
    return np.asarray(np.take_along_axis(ranked_values, at[None], axis=0)[0], np.float64)
