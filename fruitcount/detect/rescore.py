"""The net's score weighed against the size of the mark and the detail of the photo.

The net sees a mark's near surroundings only. Two things speak for or against a mark that it
cannot see: how fine the mark is on the working grid (blurred leaf tips and flecks are small
there), and how small it is against the surer marks of the photo (fruit of one limb are alike).
And one thing changes what a score means: a photo that is shrunk for the net is crisper than those
it was mostly taught on, fruit stand out in it, and a middling score is seldom one.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit, logit

from fruitcount.fruitlets import FloatArray
from fruitcount.image.reduce import FRUIT_PX

FINENESS_ODDS = 0.2
"""Gain of log-odds for each e-fold of size on the working grid, against a usual fruit's."""

SMALL_ODDS = 0.3
"""Loss of log-odds for each e-fold by which a mark is smaller than the surer others.

Both set on 109 renders and 68 tiles that the net was trained on, at one threshold. On 58 tiles
held back the mean F1 of the four sets rose from 0.78 to 0.80 (fewer false marks); on 20 renders
held back it went from 0.74 to 0.73, precision 0.92 to 0.93. Larger values lose hidden fruit."""

SHRUNK_ODDS = 1.3
"""Loss of log-odds for each e-fold of photo pixels a cell, against :data:`USUAL_PX`. Of marks
scored 0.35 to 0.5, 86 of 127 are fruit on held-back photographs seen at 1 or 2 pixels a cell, 5 of
30 on sixteen limbs seen at 3 to 6, with or without their card; a logistic regression on those and
on 90 renders held back gives 1.3. Mean F1 over them rose from 0.874 to 0.879, the mean of their
count biases fell from 12 to 8 %."""

USUAL_PX = 2.5
"""Photo pixels a cell at which a score stays as it is; chosen for a count bias near 0 on the
held-back cherries."""

FINEST_PX, COARSEST_PX = 2.0, 6.0
"""Beyond these nothing more is gained or lost."""

MOST_FOLDS = 1.0

NO_VOICE = 0.2
"""Marks scored below it hardly count among the others."""

FLOOR = 0.005


def calibrated_score(score: FloatArray, r_px: FloatArray, px_per_cell: float) -> FloatArray:
    """Scores with the sizes taken into account.

    Parameters
    ----------
    score : float array, shape (N,)
        The net's, 0 to 1.
    r_px : float array, shape (N,)
        Radii in photo pixels.
    px_per_cell : float
        Photo pixels a cell of the maps (two working pixels).

    Returns
    -------
    float array, shape (N,)
        A usual fruit among its like, at :data:`USUAL_PX` a cell, keeps its score.
    """
    fine = np.log(np.maximum(r_px, 1e-3) / px_per_cell / (FRUIT_PX / 4))
    size = np.log(np.maximum(r_px, 1e-3))[:, None]
    apart = leave_one_out_residual(size, np.maximum(score - NO_VOICE, 0.01))[:, 0]
    odds = logit(np.clip(score, FLOOR, 1 - FLOOR))
    odds += FINENESS_ODDS * np.clip(fine, -MOST_FOLDS, MOST_FOLDS)
    odds -= SMALL_ODDS * np.clip(-apart, 0.0, MOST_FOLDS)
    odds -= SHRUNK_ODDS * np.log(np.clip(px_per_cell, FINEST_PX, COARSEST_PX) / USUAL_PX)
    return np.asarray(expit(odds))


FEWEST = 4
"""Minimum number of detections for the comparison."""


def leave_one_out_residual(values: FloatArray, weight: FloatArray) -> FloatArray:
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
