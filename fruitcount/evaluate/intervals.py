"""How sure a score is: intervals by drawing whole photos again and again."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fruitcount.errors import BadInputError
from fruitcount.evaluate.scores import Judged
from fruitcount.types import FloatArray


def bootstrap_f1(
    judged: Sequence[Judged],
    groups: Sequence[str],
    *,
    level_frac: float = 0.95,
    draws_n: int = 1000,
    seed: int = 0,
) -> tuple[float, float]:
    """Percentile interval of F1, resampling whole photos (all tiles of a photo together).

    Parameters
    ----------
    judged, groups : sequences of one length
        ``groups`` names the source photo of each entry.
    level_frac : float
        Larger gives a wider interval.
    draws_n : int
        More makes the ends steadier.
    seed : int

    Returns
    -------
    low, high : float
        NaN with fewer than two groups. Source: Efron and Tibshirani, "An Introduction to the
        Bootstrap", 1993, chapter 13.
    """
    sums = _group_sums(judged, groups)
    if len(sums) < 2:
        return math.nan, math.nan
    rng = np.random.default_rng(seed)
    drawn = sums[rng.integers(0, len(sums), size=(draws_n, len(sums)))].sum(axis=1)
    return _ends(_f1_of(drawn), level_frac)


def bootstrap_gain(
    before: Sequence[Judged],
    after: Sequence[Judged],
    groups: Sequence[str],
    *,
    level_frac: float = 0.95,
    draws_n: int = 1000,
    seed: int = 0,
) -> tuple[float, float, float]:
    """F1 of one detector less that of another on the same photos, with its interval.

    Photos are drawn in pairs, so that what is hard for both cancels: a gain can be sure where
    the two intervals of :func:`bootstrap_f1` overlap.

    Parameters
    ----------
    before, after, groups : sequences of one length
        In the same order of photos.
    level_frac, draws_n, seed
        As in :func:`bootstrap_f1`.

    Returns
    -------
    gain, low, high : float
        The ends are NaN with fewer than two groups.

    Raises
    ------
    BadInputError
        The two do not judge the same photos.
    """
    if [j.truth.name for j in before] != [j.truth.name for j in after]:
        raise BadInputError("before and after must judge the same photos in the same order")
    sums = np.concatenate([_group_sums(before, groups), _group_sums(after, groups)], axis=1)
    total = sums.sum(axis=0)[None]
    gain = float((_f1_of(total[:, 3:]) - _f1_of(total[:, :3]))[0])
    if len(sums) < 2:
        return gain, math.nan, math.nan
    rng = np.random.default_rng(seed)
    drawn = sums[rng.integers(0, len(sums), size=(draws_n, len(sums)))].sum(axis=1)
    return gain, *_ends(_f1_of(drawn[:, 3:]) - _f1_of(drawn[:, :3]), level_frac)


def _group_sums(judged: Sequence[Judged], groups: Sequence[str]) -> FloatArray:
    """Hits, false marks and misses of each source photo, shape (G, 3)."""
    names, index = np.unique(np.asarray(groups, dtype=str), return_inverse=True)
    sums = np.zeros((len(names), 3))
    for row, j in zip(index, judged, strict=True):
        sums[row] += (j.matching.hits_n, j.matching.false_n, j.matching.missed_n)
    return sums


def _f1_of(sums: FloatArray) -> FloatArray:
    return np.asarray(2 * sums[:, 0] / np.maximum(2 * sums[:, 0] + sums[:, 1] + sums[:, 2], 1))


def _ends(values: FloatArray, level_frac: float) -> tuple[float, float]:
    tail = (1 - level_frac) / 2
    low, high = np.quantile(values, [tail, 1 - tail])
    return float(low), float(high)
