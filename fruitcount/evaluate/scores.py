"""Scores of a count against known fruit: one pairing, all figures.

Definitions: precision = hits / (hits + false), recall = hits / asked, F1 = 2PR / (P + R).
Average precision is the area under the precision-recall curve with precision made
non-increasing (every-point interpolation: Everingham et al., "The PASCAL Visual Object Classes
Challenge: A Retrospective", IJCV 2015). The pairing is redone at every threshold, since
nearest-first pairs depend on which detections are there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fruitcount.evaluate.known import Truth
from fruitcount.evaluate.match import Matching, match, may_touch
from fruitcount.types import FloatArray, Fruitlets


@dataclass(frozen=True, eq=False)
class Judged:
    """One photo with its detections at the shipped threshold, paired with its truth.

    Attributes
    ----------
    truth : Truth
    found : Fruitlets
        Detections at or above the shipped threshold.
    matching : Matching
    all_found : Fruitlets
        All detections that were handed in, for the curve.
    """

    truth: Truth
    found: Fruitlets
    matching: Matching
    all_found: Fruitlets

    @property
    def counted_n(self) -> int:
        """Detections that are held against the truth: all but the dropped."""
        return int(np.count_nonzero(~self.matching.dropped))


@dataclass(frozen=True)
class Tally:
    """Hits, false marks and misses, summed over photos.

    The three shares are NaN where their denominator is zero.
    """

    hits_n: int
    false_n: int
    missed_n: int

    @property
    def precision(self) -> float:
        """Share of marks that are fruit."""
        return _ratio(self.hits_n, self.hits_n + self.false_n)

    @property
    def recall(self) -> float:
        """Share of the asked fruit that is marked."""
        return _ratio(self.hits_n, self.hits_n + self.missed_n)

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        return _ratio(2 * self.hits_n, 2 * self.hits_n + self.false_n + self.missed_n)


@dataclass(frozen=True, eq=False)
class Curve:
    """Precision and recall as the threshold falls.

    Attributes
    ----------
    threshold, precision, recall : float arrays, shape (K,)
        Thresholds fall; one point a distinct score.
    average_precision : float
        NaN when nothing was asked.
    best_f1, best_threshold : float
        Only for information: scores are reported at the shipped threshold.
    """

    threshold: FloatArray
    precision: FloatArray
    recall: FloatArray
    average_precision: float
    best_f1: float
    best_threshold: float


@dataclass(frozen=True)
class CountErrors:
    """Count error a photo, over photos where at least ``least_asked_n`` fruit are asked.

    Attributes
    ----------
    photos_n : int
    median_abs_frac : float
        Median of |counted - asked| / asked.
    bias_frac : float
        Sum counted / sum asked - 1; positive is counting too many.
    mean_signed_frac : float
        Mean of (counted - asked) / asked.
    """

    photos_n: int
    median_abs_frac: float
    bias_frac: float
    mean_signed_frac: float


def judge(truth: Truth, found: Fruitlets, *, threshold: float = 0.0) -> Judged:
    """Pair the detections at or above the threshold with the truth.

    Parameters
    ----------
    truth : Truth
    found : Fruitlets
        May hold detections under the threshold; they only enter the curve. NaN scores count as 1.
    threshold : float
        The shipped threshold. Raising it trades recall for precision.
    """
    kept = found.take(_scores(found) >= threshold)
    return Judged(truth, kept, match(kept, truth), found)


def tally(judged: Sequence[Judged]) -> Tally:
    """Sum hits, false marks and misses over photos."""
    return Tally(
        sum(j.matching.hits_n for j in judged),
        sum(j.matching.false_n for j in judged),
        sum(j.matching.missed_n for j in judged),
    )


def precision_recall_curve(judged: Sequence[Judged]) -> Curve:
    """Precision and recall at every distinct score, and the area under the curve.

    Parameters
    ----------
    judged : sequence of Judged
        Their ``all_found`` should reach well below the shipped threshold; the curve ends where
        the detections end, and the area beyond counts as zero.
    """
    asked = sum(j.truth.asked_n for j in judged)
    steps = [step for j in judged for step in _steps(j)]
    if not steps or asked == 0:
        none = np.zeros(0)
        return Curve(none, none, none, 0.0 if asked else math.nan, math.nan, math.nan)
    table = np.array(steps, np.float64)
    table = table[np.argsort(-table[:, 0], kind="stable")]
    last = np.append(np.nonzero(np.diff(table[:, 0]))[0], len(table) - 1)
    hits, false = np.cumsum(table[:, 1])[last], np.cumsum(table[:, 2])[last]
    marks = np.maximum(hits + false, 1)
    precision, recall = hits / marks, hits / asked
    f1 = 2 * hits / (hits + false + asked)
    best = int(np.argmax(f1))
    return Curve(
        table[last, 0],
        precision,
        recall,
        _area(precision, recall),
        float(f1[best]),
        float(table[last[best], 0]),
    )


def count_errors(judged: Sequence[Judged], *, least_asked_n: int = 1) -> CountErrors:
    """Count error a photo at the shipped threshold.

    Parameters
    ----------
    judged : sequence of Judged
    least_asked_n : int
        Photos with fewer asked fruit are left out: a share of a few fruit says little.
    """
    pairs = np.array(
        [(j.counted_n, j.truth.asked_n) for j in judged if j.truth.asked_n >= least_asked_n],
        np.float64,
    ).reshape(-1, 2)
    if not len(pairs):
        return CountErrors(0, math.nan, math.nan, math.nan)
    signed = pairs[:, 0] / pairs[:, 1] - 1
    bias = float(pairs[:, 0].sum() / pairs[:, 1].sum() - 1)
    return CountErrors(len(pairs), float(np.median(np.abs(signed))), bias, float(np.mean(signed)))


def _steps(j: Judged) -> list[tuple[float, int, int]]:
    """For one photo: (score, change of hits, change of false) as the threshold falls to it."""
    scores = _scores(j.all_found)
    near = may_touch(j.all_found.x_px, j.all_found.y_px, j.truth)
    # Marks far from all known fruit are false whatever else is there: no need to pair again.
    out = [(float(score), 0, 1) for score in scores[~near]]
    close, scores = j.all_found.take(near), scores[near]
    before = (0, 0)
    for level in np.unique(scores)[::-1]:
        m = match(close.take(scores >= level), j.truth)
        now = (m.hits_n, m.false_n)
        out.append((float(level), now[0] - before[0], now[1] - before[1]))
        before = now
    return out


def _area(precision: FloatArray, recall: FloatArray) -> float:
    ceiling = np.maximum.accumulate(precision[::-1])[::-1]
    return float(np.sum(np.diff(recall, prepend=0.0).clip(min=0) * ceiling))


def _scores(found: Fruitlets) -> FloatArray:
    return np.nan_to_num(found.score, nan=1.0)


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole else math.nan
