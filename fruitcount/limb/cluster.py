"""Group fruit that touch or nearly touch."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from fruitcount.types import Fruitlets


def cluster_numbers(fruitlets: Fruitlets, gap_px: float) -> NDArray[np.int64]:
    """A number for each fruit; fruit of one cluster share it, a lone fruit has its own.

    Parameters
    ----------
    fruitlets : Fruitlets
    gap_px : float, px
        Outlines nearer than this are one cluster. Larger makes larger clusters.

    Returns
    -------
    int array, shape (N,)
        Numbered in the order of first appearance.
    """
    n = len(fruitlets)
    if n == 0:
        return np.zeros(0, np.int64)
    x, y, r = fruitlets.x_px, fruitlets.y_px, np.nan_to_num(fruitlets.r_px)
    apart = np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :]) - r[:, None] - r[None, :]
    with np.errstate(invalid="ignore"):
        joined = apart <= gap_px
    _, label = connected_components(csr_array(joined), directed=False)
    _, first = np.unique(label, return_index=True)
    order = np.argsort(np.argsort(first))
    return np.asarray(order[label], np.int64)
