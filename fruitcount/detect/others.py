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
    columns = [_middles_of_others(column, weight) for column in np.asarray(values, np.float64).T]
    return np.asarray(values - np.stack(columns, axis=1), np.float64)


def _middles_of_others(values: FloatArray, weight: FloatArray) -> FloatArray:
    """For each value the weighted median of all others: one sorting serves them all."""
    order = np.argsort(values, kind="stable")
    ranked, own = values[order], weight[order]
    sums = np.cumsum(own)
    half = (sums[-1] - own) / 2
    slack = 1e-12 * sums[-1]  # sums of a different order must still meet half exactly
    rank = np.arange(len(values))
    before = np.searchsorted(sums, half - slack)
    after = np.maximum(np.searchsorted(sums, half + own - slack), rank + 1)
    out = np.empty_like(ranked)
    out[order] = ranked[np.where(before < rank, before, np.minimum(after, len(values) - 1))]
    return out
