"""Pair found fruit with known fruit, one to one, nearest first.

The rule: a detection may match a known box if its centre is inside the box, a known circle if the
centres are less than 0.7 of the known radius apart. All allowed pairs are taken in order of
distance; each detection and each known fruit is used once. Known fruit that is mostly hidden or
marked ``ignore`` is neither asked for nor punished: a detection that matched nothing and lies
within 1.2 of its radius is dropped from the account.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitcount.evaluate.known import Truth
from fruitcount.types import BoolArray, FloatArray, Fruitlets, IntArray

Pairs = tuple[IntArray, IntArray]

MATCH_RADII = 0.7
DROP_RADII = 1.2


@dataclass(frozen=True, eq=False)
class Matching:
    """Outcome of pairing one photo's detections with its truth.

    Attributes
    ----------
    truth_of : int array, one a detection
        Index of the matched known fruit, -1 if none.
    found_of : int array, one a known fruit
        Index of the matched detection, -1 if none.
    dropped : bool array, one a detection
        Near ignored fruit: counts for nothing.
    asked : bool array, one a known fruit
    """

    truth_of: IntArray
    found_of: IntArray
    dropped: BoolArray
    asked: BoolArray

    @property
    def hits_n(self) -> int:
        """Detections that match."""
        return int(np.count_nonzero(self.truth_of >= 0))

    @property
    def false_n(self) -> int:
        """Detections that match nothing and are not dropped."""
        return int(np.count_nonzero((self.truth_of < 0) & ~self.dropped))

    @property
    def missed_n(self) -> int:
        """Asked fruit that nothing matches."""
        return int(np.count_nonzero(self.asked & (self.found_of < 0)))


def match(found: Fruitlets, truth: Truth) -> Matching:
    """Pair detections with truth by the scoring rule.

    Parameters
    ----------
    found : Fruitlets
        Detections of one photo, at the threshold to be judged.
    truth : Truth
        Known fruit of the same photo.
    """
    return match_points(found.x_px, found.y_px, truth)


def match_surest(found: Fruitlets, truth: Truth) -> Matching:
    """The same, but of two detections of one fruit the surer takes it, however near the other.

    For learning from all marks, most of which no threshold keeps: a weak mark that is nearer by
    chance must not make a sure one false.
    """
    distance, allowed, ignored = _reach(found.x_px, found.y_px, truth)
    return _told(surest_first(distance, allowed, found.score), ignored, truth)


def match_points(x_px: FloatArray, y_px: FloatArray, truth: Truth) -> Matching:
    """Pair detection centres with truth; see :func:`match`.

    ``x_px`` and ``y_px`` have shape (N,), in photo pixels.
    """
    distance, allowed, ignored = _reach(x_px, y_px, truth)
    return _told(nearest_first(distance, allowed), ignored, truth)


def _told(pairs: Pairs, ignored: BoolArray, truth: Truth) -> Matching:
    truth_of, found_of = pairs
    dropped = ignored.any(axis=1) & (truth_of < 0)
    return Matching(truth_of, found_of, dropped, ~truth.ignore)


def may_touch(x_px: FloatArray, y_px: FloatArray, truth: Truth) -> BoolArray:
    """Which centres could match, or be dropped for, any known fruit at all.

    ``x_px``, ``y_px`` and the result have shape (N,), in photo pixels.
    """
    _, allowed, ignored = _reach(x_px, y_px, truth)
    return np.asarray((allowed | ignored).any(axis=1))


def _reach(
    x_px: FloatArray, y_px: FloatArray, truth: Truth
) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Distances, pairs that may match, and pairs of a mark with ignored fruit near it."""
    dx = np.abs(x_px[:, None] - truth.x_px[None, :])
    dy = np.abs(y_px[:, None] - truth.y_px[None, :])
    distance = np.hypot(dx, dy)
    is_box = np.isfinite(truth.half_w_px)
    inside = (dx <= truth.half_w_px) & (dy <= truth.half_h_px)
    allowed = np.where(is_box, inside, distance < MATCH_RADII * truth.r_px) & ~truth.ignore
    return distance, allowed, (distance < DROP_RADII * truth.r_px) & truth.ignore


def nearest_first(distance: FloatArray, allowed: BoolArray) -> Pairs:
    """Take allowed pairs by rising distance, each row and each column once.

    Parameters
    ----------
    distance : array, shape (N, M)
    allowed : bool array, shape (N, M)

    Returns
    -------
    column_of, row_of : int arrays, shapes (N,) and (M,)
        -1 where unpaired. Equal distances go to the lower row, then the lower column.
    """
    rows, columns = np.nonzero(allowed)
    order = np.argsort(distance[rows, columns], kind="stable")
    return _taken(rows[order], columns[order], distance.shape)


def surest_first(distance: FloatArray, allowed: BoolArray, score: FloatArray) -> Pairs:
    """Let the rows choose in turn, by falling score, their nearest allowed column still free.

    Parameters
    ----------
    distance : array, shape (N, M)
    allowed : bool array, shape (N, M)
    score : array, shape (N,)
        NaN (set by hand) is surest of all. Equal scores: the lower row first.

    Returns
    -------
    column_of, row_of : int arrays, shapes (N,) and (M,)
        -1 where unpaired.
    """
    rows, columns = np.nonzero(allowed)
    sure = np.nan_to_num(score, nan=np.inf)[rows]
    order = np.lexsort((distance[rows, columns], rows, -sure))
    return _taken(rows[order], columns[order], distance.shape)


def _taken(rows: IntArray, columns: IntArray, shape: tuple[int, ...]) -> Pairs:
    """Go through pairs in the given order; each row and each column is used once."""
    column_of, row_of = np.full(shape[0], -1, np.int64), np.full(shape[1], -1, np.int64)
    for row, column in zip(rows.tolist(), columns.tolist(), strict=True):
        if column_of[row] < 0 and row_of[column] < 0:
            column_of[row] = column
            row_of[column] = row
    return column_of, row_of
