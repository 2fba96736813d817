"""The wood and its fruit as a problem to solve: places along a line that has side shoots."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitcount.types import FloatArray

__all__ = ["Costs", "FruitingWood", "split_into_sites"]

EPS = 1e-9


@dataclass(frozen=True, eq=False)
class FruitingWood:
    """Fruit along a limb and its shoots. All lengths in one unit, mm or px.

    Attributes
    ----------
    line : int array, shape (N,)
        -1 on the main limb, else the shoot.
    at : float array, shape (N,)
        Distance from the base of the limb, or from the shoot's fork.
    worth : float array, shape (N,)
        Larger is better to keep; NaN must come off.
    site : int array, shape (N,)
        Fruit of one site hang together (see :func:`split_into_sites`).
    may_pair : bool array, shape (N,)
        This fruit's site may keep two, whatever the gap between those two.
    gap : float
        Closest two kept fruit of different sites may be, along the wood. > 0.
    length : float
        Of the main limb.
    fork : float array, shape (S,)
        Where each shoot leaves the limb.
    shoot_length : float array, shape (S,)
    """

    line: NDArray[np.int64]
    at: FloatArray
    worth: FloatArray
    site: NDArray[np.int64]
    may_pair: NDArray[np.bool_]
    gap: float
    length: float
    fork: FloatArray
    shoot_length: FloatArray


@dataclass(frozen=True)
class Costs:
    """Work in units of worth, and the rules of a cut.

    Attributes
    ----------
    cut, pinch : float
        Worth given up for one cut, for one fruit pinched.
    keep_tip : float
        Length left beyond the last kept fruit.
    max_cut_frac : float
        Largest share of the main limb that a cut may take.
    stub : float
        Where a whole shoot is cut, from its fork.
    """

    cut: float = 0.0
    pinch: float = 0.0
    keep_tip: float = 0.0
    max_cut_frac: float = 1.0
    stub: float = 0.0


def split_into_sites(
    line: NDArray[np.int64],
    at: FloatArray,
    cluster: NDArray[np.int64],
    *,
    gap: float,
    fork: FloatArray,
) -> NDArray[np.int64]:
    """Number the sites: clusters, cut where they are longer than the gap or span a fork.

    A row of touching fruit longer than the gap is more than one cluster for keeping: each
    gap's length of it may keep its own. Fruit not grouped (-1) is a site by itself.

    Parameters
    ----------
    line, at, cluster : arrays, shape (N,)
        See :class:`FruitingWood`; cluster numbers as in ``Fruitlets``.
    gap : float
        Longest extent of a site (not reached). Infinite leaves clusters whole.
    fork : float array
        Places on the main limb that no site may span.

    Returns
    -------
    int array, shape (N,)
    """
    site = np.full(len(at), -1, dtype=np.int64)
    started: dict[tuple[int, int], tuple[int, float]] = {}
    forks = np.sort(fork)
    for number, i in enumerate(np.lexsort((at, line))):
        key = (int(line[i]), int(cluster[i]))
        if cluster[i] >= 0 and key in started:
            number_before, start = started[key]
            inside = forks[(forks > start + EPS) & (forks < at[i] - EPS)]
            near = not np.isfinite(gap) or at[i] - start < gap - EPS
            if near and not (line[i] == -1 and len(inside)):
                site[i] = number_before
                continue
        started[key] = (number, float(at[i]))
        site[i] = number
    return site
