"""From maps to circles: peaks and their radii, one circle a fruit, one chance each.

The net sees a mark's near surroundings only. Two things speak for or against a mark that it
cannot see: how fine the mark is on the working grid (blurred leaf tips and flecks are small
there), and how small it is against the surer marks of the photo (fruit of one limb are alike).
And one thing changes what a score means: a photo that is shrunk for the net is crisper than those
it was mostly taught on, fruit stand out in it, and a middling score is seldom one.

The fruit net has looked at one size, the limb net at several (``Maps.others``). A fruit too
small or too large for one look is of a good size in another.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import expit, logit

from fruitcount.image.opencv import FRUIT_PX, cv2, vertex
from fruitcount.types import F32, BoolArray, FloatArray, IntArray, Maps


def peaks(heatmap: F32, lowest: float) -> tuple[FloatArray, FloatArray]:
    """Local maxima of a map, placed to a fraction of a cell.

    Parameters
    ----------
    heatmap : float32 array, shape (h, w)
    lowest : float
        Peaks under it are left out.

    Returns
    -------
    row_col : float array, shape (N, 2)
        By a parabola through each peak and its neighbours.
    height : float array, shape (N,)
        Highest first.
    """
    top = cv2.dilate(heatmap, np.ones((3, 3), np.uint8))
    row, col = np.nonzero((heatmap >= top) & (heatmap >= lowest))
    height = heatmap[row, col].astype(np.float64)
    order = np.argsort(-height, kind="stable")
    row, col, height = row[order], col[order], height[order]
    padded = np.pad(heatmap, 1, mode="edge").astype(np.float64)
    r, c = row + 1, col + 1
    drow = vertex(padded[r - 1, c], padded[r, c], padded[r + 1, c])
    dcol = vertex(padded[r, c - 1], padded[r, c], padded[r, c + 1])
    return np.stack([row + drow, col + dcol], axis=1), height


# Two marks closer than this share of the sum of their radii are one fruit. Raising it merges more
# of a tight cluster.
OVERLAP_FRAC = 0.5


def one_a_fruit(x: FloatArray, y: FloatArray, r: FloatArray) -> IntArray:
    """Indices of the circles to keep, best first; the input is ordered best first.

    ``x``, ``y``, ``r`` have shape (N,), in map cells or pixels alike; the indices shape (M,).

    A circle goes when a better one's centre lies within :data:`OVERLAP_FRAC` of the sum of both
    radii, so touching fruit (distance = the sum) stay apart and a doubled mark goes.
    """
    n = len(x)
    if n == 0:
        return np.zeros(0, np.int64)
    tree = cKDTree(np.stack([x, y], axis=1))
    alive = np.ones(n, bool)
    largest = float(r.max())
    for i in range(n):
        if not alive[i]:
            continue
        near = tree.query_ball_point((x[i], y[i]), OVERLAP_FRAC * (r[i] + largest))
        for j in near:
            if j > i and np.hypot(x[i] - x[j], y[i] - y[j]) < OVERLAP_FRAC * (r[i] + r[j]):
                alive[j] = False
    return np.flatnonzero(alive)


def circles_from_maps(
    maps: Maps, lowest: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Circles in photo pixels, best first, one a fruit.

    Parameters
    ----------
    maps : Maps
    lowest : float
        Lowest score kept.

    Returns
    -------
    x_px, y_px, r_px, score : float arrays, shape (N,)
    """
    row_col, score = peaks(maps.heatmap, lowest)
    h, w = maps.heatmap.shape
    row = np.clip(np.rint(row_col[:, 0]).astype(int), 0, h - 1)
    col = np.clip(np.rint(row_col[:, 1]).astype(int), 0, w - 1)
    r = maps.radius_px[row, col].astype(np.float64)
    y, x = ((row_col[:, i] + 0.5) * maps.px_per_cell - 0.5 for i in (0, 1))
    told = np.isfinite(r) & (r > 0)
    x, y, r, score = x[told], y[told], r[told], score[told]
    keep = one_a_fruit(x, y, r)
    return x[keep], y[keep], r[keep], np.clip(score[keep], 0.0, 1.0)


# Gain of log-odds for each e-fold of size on the working grid, against a usual fruit's.
FINENESS_ODDS = 0.2

# Loss of log-odds for each e-fold by which a mark is smaller than the surer others.
#
# Both set on 109 renders and 68 tiles that the net was trained on, at one threshold. On 58 tiles
# held back the mean F1 of the four sets rose from 0.78 to 0.80 (fewer false marks); on 20 renders
# held back it went from 0.74 to 0.73, precision 0.92 to 0.93. Larger values lose hidden fruit.
SMALL_ODDS = 0.3

# Loss of log-odds for each e-fold of photo pixels a cell, against :data:`USUAL_PX`. Of marks scored
# 0.35 to 0.5, 86 of 127 are fruit on held-back photographs seen at 1 or 2 pixels a cell, 5 of 30 on
# sixteen limbs seen at 3 to 6, with or without their card; a logistic regression on those and on 90
# renders held back gives 1.3. Mean F1 over them rose from 0.874 to 0.879, the mean of their count
# biases fell from 12 to 8 %.
SHRUNK_ODDS = 1.3

# Photo pixels a cell at which a score stays as it is; chosen for a count bias near 0 on the
# held-back cherries.
USUAL_PX = 2.5

# Beyond these nothing more is gained or lost.
FINEST_PX, COARSEST_PX = 2.0, 6.0

MOST_FOLDS = 1.0

# Marks scored below it hardly count among the others.
NO_VOICE = 0.2

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


# Minimum number of detections for the comparison.
FEWEST = 4


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


# Width in the limb net's picture of the fruit of which it is asked.
NARROWEST_PX, WIDEST_PX = 9.0, 110.0

USUAL_WIDTH_PX = 24.5

# Peaks under it are no marks.
LEAST_HEAT = 0.05

# A look's heat at a mark is the highest within so many radii.
NEAR_RADII = 0.35

# Log-odds of a mark: a start; for each unit of log-odds by the fruit net and of the mean of the
# other looks; for each e-fold of its width in their pictures, and for that times the first.
#
# A logistic regression on 146 photographs of four crops and 42 dense renders that neither net was
# taught, each set weighing the same. Judged on each set by weights from the others, the average
# precision of apples rose from 0.90 to 0.94, of coffee from 0.79 to 0.87, of cherries and pears by
# 0.01 to 0.02; on 14 young-peach phone photos, on which nothing was set, from 0.80 to 0.88. That of
# the renders, small fruit of other limbs for the most part, fell by 0.01.
WEIGHTS = (1.7, 0.95, 1.3, 0.4, -0.4)

# Heat is held off 0 and 1 by this before its log-odds are taken.
LIMIT = 0.01


def joined_marks(maps: Maps) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """One circle a fruit from all looks, best first.

    Parameters
    ----------
    maps : Maps
        Without ``others`` its own marks are the answer.

    Returns
    -------
    x_px, y_px, r_px, score : float arrays, shape (N,)
        In photo pixels; the score is the chance of a fruit, 0 to 1.
    """
    marks = np.stack(circles_from_maps(maps, LEAST_HEAT))
    if maps.source == "trained":
        marks[3] = calibrated_score(marks[3], marks[2], maps.px_per_cell)
    if maps.others:
        found = [marks, *(_good_marks(other) for other in maps.others)]
        marks = np.concatenate(found, axis=1)
        marks = marks[:, np.argsort(-marks[3], kind="stable")]
        marks = marks[:, one_a_fruit(*marks[:3])]
        marks[3] = _joint_score(maps, marks[:3])
        marks = marks[:, np.argsort(-marks[3], kind="stable")]
    x, y, r, score = marks
    return x, y, r, score


def _good_marks(other: Maps) -> FloatArray:
    marks = np.stack(circles_from_maps(other, LEAST_HEAT))
    return marks[:, _of_good_size(other, marks[2])]


def _of_good_size(other: Maps, r_px: FloatArray) -> BoolArray:
    width = _width_px(other, r_px)
    return np.asarray((width >= NARROWEST_PX) & (width <= WIDEST_PX))


def _width_px(look: Maps, r_px: FloatArray) -> FloatArray:
    """Width in the net's own picture, two of whose pixels are a cell."""
    return 4 * r_px / look.px_per_cell


def _joint_score(maps: Maps, circles: FloatArray) -> FloatArray:
    """Chance of a fruit at circles, shape (3, N), by all looks that see them at a good size."""
    r = circles[2]
    own = calibrated_score(heat_at(maps, circles), r, maps.px_per_cell)
    good = np.stack([_of_good_size(other, r) for other in maps.others])
    odds = _clues(maps, circles, _log_odds(own), good) @ np.array(WEIGHTS)
    return np.where(good.any(axis=0), expit(odds), own)


def _clues(maps: Maps, circles: FloatArray, own: FloatArray, good: BoolArray) -> FloatArray:
    """What the weights are for, shape (N, 5): own log-odds (N,), looks of good size (looks, N)."""
    heat = np.stack([_log_odds(heat_at(other, circles)) for other in maps.others])
    width = np.stack([np.log(_width_px(o, circles[2]) / USUAL_WIDTH_PX) for o in maps.others])
    looks_n = np.maximum(good.sum(axis=0), 1)
    heat, width = (np.where(good, v, 0).sum(axis=0) / looks_n for v in (heat, width))
    return np.stack([np.ones_like(own), own, heat, width, width * own], axis=1)


def heat_at(look: Maps, circles: FloatArray) -> FloatArray:
    """The highest heat near each circle's centre: circles of shape (3, N), heat (N,)."""
    h, w = look.heatmap.shape
    col, row = ((circles[i] + 0.5) / look.px_per_cell - 0.5 for i in (0, 1))
    reach = np.maximum(1.0, NEAR_RADII * circles[2] / look.px_per_cell)
    top, left = (np.maximum(np.floor(v - reach).astype(int), 0) for v in (row, col))
    below = np.minimum(np.ceil(row + reach).astype(int) + 1, h)
    right = np.minimum(np.ceil(col + reach).astype(int) + 1, w)
    parts = (look.heatmap[a:b, c:d] for a, b, c, d in zip(top, below, left, right, strict=True))
    return np.array([part.max() if part.size else 0.0 for part in parts], np.float64)


def _log_odds(chance: FloatArray) -> FloatArray:
    return np.asarray(logit(np.clip(chance, LIMIT, 1 - LIMIT)))
