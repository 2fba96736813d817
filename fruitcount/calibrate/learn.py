"""Learn from the corrections on some photos of a tree, for the rest of the folder.

Nothing here changes a result. :func:`propose` measures, by leaving out one corrected photo at a
time, whether a new threshold or new score weights would have found that photo's fruit better,
and returns a proposal. Only what the user accepts is a tuning, and results made with the shipped
settings stay as they are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import minimize

from fruitcount.calibrate.tuning import (
    Lesson,
    Tuning,
    features,
    tuned_scores,
    tuning_record,
    tuning_sentence,
)
from fruitcount.evaluate.scores import Tally
from fruitcount.types import FloatArray

# How strongly weights are held to "no change". Larger learns less from the same photos. 4 lets
# about 100 marks move a weight visibly (chosen on drawn scenes).
PRIOR_STRENGTH = 4.0

# Weights are learned from so many corrected photos on; fewer teach the threshold alone.
WEIGHTS_FROM_N = 5

# From so many photos a learned threshold is gone half the way to; from n of them n / (n +
# photos_to_half_n). Larger moves less. 0 goes all the way.
PHOTOS_TO_HALF_N = 2.0

# Smallest rise of left-out F1 that is worth a change. Larger proposes less often.
LEAST_GAIN = 0.03

# The gain must stay above zero in all but this share of resamples of the corrected photos
# (bootstrap; Efron 1979, from memory). Smaller proposes less often. Without this, and without going
# only part of the way, nearly all proposals on open fruit sets whose shipped threshold was right
# made other photos worse.
DOUBT_FRAC = 0.1

# Fewer corrected photos propose nothing: there is nothing to leave out.
LEAST_PHOTOS_N = 2


@dataclass(frozen=True)
class Proposal:
    """What was learned, measured before and after, waiting for the user's word.

    Attributes
    ----------
    tuning : Tuning
        Learned from all corrected photos.
    shipped : Tuning
        What is in force without it.
    before, after : Tally
        On the corrected photos; ``after`` has each photo judged by what the others taught.
    photos_n : int
    worthwhile : bool
        The gain is large enough to be proposed at all.
    """

    tuning: Tuning
    shipped: Tuning
    before: Tally
    after: Tally
    photos_n: int
    worthwhile: bool

    @property
    def sentence(self) -> str:
        """What to tell the user before asking."""
        if self.photos_n < 2:
            return "Correct at least two photos of this tree to learn from them."
        figures = (
            f"On {self.photos_n} corrected photos, each judged by what the others teach: agreement "
            f"with you {self.before.f1:.0%} before, {self.after.f1:.0%} after; wrong marks "
            f"{self.before.false_n} to {self.after.false_n}, missed fruit {self.before.missed_n} "
            f"to {self.after.missed_n}."
        )
        if not self.worthwhile:
            return f"{figures} Not enough gain: the settings stay as they are."
        return f"{figures} {tuning_sentence(self.tuning, self.shipped.threshold)}"

    def record(self) -> dict[str, Any]:
        """The tuning with the figures it was offered on, as plain values to keep with a tree."""
        sides = {"before": self.before, "after": self.after}
        return {
            "tuning": tuning_record(self.tuning),
            "shipped_threshold": self.shipped.threshold,
            "photos_n": self.photos_n,
            **{name: [t.hits_n, t.false_n, t.missed_n] for name, t in sides.items()},
        }


def propose(lessons: Sequence[Lesson], shipped_threshold: float) -> Proposal:
    """Learn from corrected photos, and measure what it is worth.

    Two changes are tried: a new threshold alone, part of the way to the best one, and, with
    enough photos, new weights with a new threshold. The weights must beat the best threshold
    alone as surely as that beats no change, since they have more ways to fit by chance.

    Parameters
    ----------
    lessons : sequence of Lesson
        Photos of one tree, or at least of one day and light.
    shipped_threshold : float
        Of the source that found the marks: ``fruitcount.detect.heatmap.SHIPPED_THRESHOLD``.

    Returns
    -------
    Proposal
        With ``worthwhile`` False where there are too few photos or too little gain.
    """
    shipped = Tuning(shipped_threshold)
    start = [tally(lesson, shipped) for lesson in lessons]
    before = total(start)
    if len(lessons) < max(2, LEAST_PHOTOS_N):
        return Proposal(shipped, shipped, before, before, len(lessons), False)
    best, tuning = start, shipped
    share = len(lessons) / (len(lessons) + PHOTOS_TO_HALF_N)
    part = _left_out(lessons, lambda taught: _part_way(taught, share, shipped))
    if _gains(start, part):
        best, tuning = part, _part_way(lessons, share, shipped)
    if len(lessons) >= WEIGHTS_FROM_N:
        whole = _left_out(lessons, lambda taught: _fit_threshold(taught, shipped))
        weighed = _left_out(lessons, _fit_weights)
        if _gains(best, weighed) and _gains(whole, weighed):
            best, tuning = weighed, _fit_weights(lessons)
    return Proposal(tuning, shipped, before, total(best), len(lessons), tuning is not shipped)


def _left_out(lessons: Sequence[Lesson], fit: Callable[[Sequence[Lesson]], Tuning]) -> list[Tally]:
    """Each photo judged by what the others teach."""
    return [
        tally(lesson, fit([*lessons[:i], *lessons[i + 1 :]])) for i, lesson in enumerate(lessons)
    ]


def _gains(before: Sequence[Tally], after: Sequence[Tally]) -> bool:
    """Whether left-out F1 rises enough, and not by a few photos' chance."""
    if not total(after).f1 >= total(before).f1 + LEAST_GAIN:
        return False
    counts = np.array(
        [[[t.hits_n, t.false_n, t.missed_n] for t in side] for side in (before, after)]
    )
    draws = np.random.default_rng(1).integers(0, len(before), (400, len(before)))
    hits, false, missed = np.moveaxis(counts[:, draws].sum(axis=2), -1, 0)
    f1 = 2 * hits / np.maximum(2 * hits + false + missed, 1)
    return bool(np.quantile(f1[1] - f1[0], DOUBT_FRAC) > 0)


def _part_way(lessons: Sequence[Lesson], share: float, shipped: Tuning) -> Tuning:
    """A threshold between the shipped one and the one learned: few photos teach it roughly."""
    move = _fit_threshold(lessons, shipped).threshold - shipped.threshold
    return Tuning(round(shipped.threshold + share * move, 3))


def _fit_threshold(lessons: Sequence[Lesson], shipped: Tuning) -> Tuning:
    return Tuning(_best_threshold(lessons, shipped, shipped.threshold))


def _fit_weights(lessons: Sequence[Lesson]) -> Tuning:
    """Logistic regression with a Gaussian prior centred on "no change"."""
    x = np.concatenate([features(lesson.marks) for lesson in lessons])
    y = np.concatenate([lesson.is_fruit for lesson in lessons]).astype(np.float64)
    x = np.column_stack([x, np.ones(len(x))])
    prior = np.array([1.0, 0.0, 0.0, 0.0, 0.0])

    def loss(w: FloatArray) -> tuple[float, FloatArray]:
        z = x @ w
        value = np.sum(np.logaddexp(0, z) - y * z)
        slope = x.T @ (1 / (1 + np.exp(-np.clip(z, -50, 50))) - y)
        pull = w - prior
        return float(value + PRIOR_STRENGTH / 2 * pull @ pull), slope + PRIOR_STRENGTH * pull

    w = minimize(loss, prior, jac=True, method="L-BFGS-B").x
    tuning = Tuning(0.5, (float(w[0]), float(w[1]), float(w[2]), float(w[3])), float(w[4]))
    threshold = _best_threshold(lessons, tuning, 0.5)
    return Tuning(threshold, tuning.weights, tuning.offset)


def _best_threshold(lessons: Sequence[Lesson], tuning: Tuning, usual: float) -> float:
    """Threshold of highest F1; of nearly equal ones the nearest to the usual.

    Candidates are a grid of hundredths: finer steps would follow single marks.
    """
    score = np.concatenate([tuned_scores(lesson.marks, tuning) for lesson in lessons])
    fruit = np.concatenate([lesson.is_fruit for lesson in lessons])
    known_n = int(fruit.sum()) + sum(lesson.unseen_n for lesson in lessons)
    grid = np.append(np.arange(0.02, 0.99, 0.01), usual)
    kept = score[None, :] >= grid[:, None]
    f1 = 2 * (kept & fruit).sum(axis=1) / np.maximum(kept.sum(axis=1) + known_n, 1)
    good = grid[f1 >= f1.max() - 0.005]
    return float(good[np.argmin(np.abs(good - usual))])


def tally(lesson: Lesson, tuning: Tuning) -> Tally:
    """Hits, false marks and misses of one photo under a tuning."""
    kept = tuned_scores(lesson.marks, tuning) >= tuning.threshold
    hits = int(np.count_nonzero(kept & lesson.is_fruit))
    missed = int(lesson.is_fruit.sum()) + lesson.unseen_n - hits
    return Tally(hits, int(np.count_nonzero(kept)) - hits, missed)


def total(parts: Sequence[Tally]) -> Tally:
    """Those of several photos, summed."""
    return Tally(
        sum(p.hits_n for p in parts), sum(p.false_n for p in parts), sum(p.missed_n for p in parts)
    )
