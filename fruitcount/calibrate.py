"""What corrected photos teach: a threshold and score weights for the rest of one tree's photos.

A tuning never changes what was measured: it is applied to a detector's own marks each time, so
dropping the tuning brings the shipped answer back exactly.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import expit, logit

from fruitcount.errors import RecordError, broken_as, finite, in_range
from fruitcount.evaluate.match import MATCH_RADII, surest_first
from fruitcount.evaluate.predictors import low_marks
from fruitcount.evaluate.scores import Tally
from fruitcount.limb.position import place_fruitlets
from fruitcount.pipeline import CountSettings
from fruitcount.types import BoolArray, FloatArray, Fruitlets, Measurement, Photo

# Score as log-odds; the other three as differences from the photo's own usual mark.
FEATURES = ("score", "yellow", "roundness", "size")

# Scores are held this far from 0 and 1 before they are rescored.
FLOOR = 1e-4

_IDENTITY = (1.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, eq=False)
class Lesson:
    """One corrected photo.

    Attributes
    ----------
    name : str
    marks : Fruitlets
        The detector's marks, best with those below the shipped threshold too: without them a
        lower threshold cannot be learned.
    is_fruit : bool array, one a mark
        The user left it or put one of their own in its place.
    unseen_n : int
        Fruit the user added where there is no mark at all.
    """

    name: str
    marks: Fruitlets
    is_fruit: BoolArray
    unseen_n: int


def lesson_from(corrected: Measurement, marks: Fruitlets) -> Lesson:
    """Compare a detector's marks on a photo with the corrected ones.

    Parameters
    ----------
    corrected : Measurement
    marks : Fruitlets
        The detector's, with a low threshold.

    Returns
    -------
    Lesson
        A mark is fruit if a corrected circle lies within 0.7 of that circle's radius; the surer
        of two marks takes it.
    """
    known = corrected.fruitlets
    distance = _distances(marks, known)
    taken, taker = surest_first(distance, distance < MATCH_RADII * known.r_px, marks.score)
    return Lesson(corrected.name, marks, taken >= 0, int(np.count_nonzero(taker < 0)))


def _distances(one: Fruitlets, other: Fruitlets) -> FloatArray:
    """Between all centres in pixels, shape (N, M)."""
    dx = one.x_px[:, None] - other.x_px[None, :]
    dy = one.y_px[:, None] - other.y_px[None, :]
    return np.asarray(np.hypot(dx, dy))


def lesson_on_limb(corrected: Measurement, marks: Fruitlets) -> Lesson:
    """The same, from marks on the photographed limb only.

    Who corrects a limb does not look at fruit elsewhere: marks off the limb teach nothing, and
    neither do those that the user named as being on another limb.

    Parameters
    ----------
    corrected : Measurement
    marks : Fruitlets
        The detector's marks with a low threshold, from
        :func:`fruitcount.evaluate.predictors.low_marks`.
    """
    here, known = marks_on_limb(corrected, marks), corrected.fruitlets
    off = known.take(known.on_limb == 0)
    here = here.take((_distances(here, off) >= MATCH_RADII * off.r_px).all(axis=1))
    return lesson_from(replace(corrected, fruitlets=known.take(known.on_limb != 0)), here)


def marks_on_limb(measurement: Measurement, marks: Fruitlets) -> Fruitlets:
    """The marks that lie on the photo's limb, each with its place along it."""
    placed = place_fruitlets(marks, measurement.limb, measurement.scale)
    return placed.take(placed.on_limb != 0)


@dataclass(frozen=True)
class Tuning:
    """Weights and threshold learned from corrections.

    Attributes
    ----------
    threshold : float
        Lowest tuned score kept. Raising it gives fewer and surer marks.
    weights : tuple of float
        One for each of ``FEATURES``; (1, 0, 0, 0) with ``offset`` 0 leaves scores as they are.
    offset : float
        Added log-odds. Raising it raises all scores.
    """

    threshold: float
    weights: tuple[float, float, float, float] = _IDENTITY
    offset: float = 0.0

    def __post_init__(self) -> None:
        in_range("threshold", self.threshold, 0.0, 1.0)
        finite("offset", self.offset)
        for weight in self.weights:
            finite("weights", weight)

    @property
    def reweights(self) -> bool:
        """Whether scores change at all, beside the threshold."""
        return self.weights != _IDENTITY or self.offset != 0.0


def features(marks: Fruitlets) -> FloatArray:
    """What a tuning looks at, shape (N, 4), in the order of ``FEATURES``.

    Log-odds of the score; yellowness, roundness and log radius less the score-weighted mean of
    the photo's marks, so that a photo in other light or from farther off gives the same values.
    What was not measured is 0: no evidence either way.
    """
    score = np.clip(np.nan_to_num(marks.score, nan=1.0), FLOOR, 1 - FLOOR)
    columns = [logit(score)]
    log_radius = np.log(np.maximum(marks.r_px, 1e-6))
    for value in (marks.yellow_frac, marks.roundness_frac, log_radius):
        told = np.isfinite(value)
        middle = np.average(value[told], weights=score[told]) if told.any() else 0.0
        columns.append(np.where(told, value - middle, 0.0))
    return np.column_stack(columns)


def tuned_scores(marks: Fruitlets, tuning: Tuning) -> FloatArray:
    """Scores under a tuning, 0 to 1; exactly the marks' own where the tuning does not reweight.

    Shape (N,), one a mark.
    """
    if not tuning.reweights:
        return np.nan_to_num(marks.score, nan=1.0)
    return np.asarray(expit(features(marks) @ np.array(tuning.weights) + tuning.offset))


def apply_tuning(marks: Fruitlets, tuning: Tuning) -> Fruitlets:
    """Marks that stay under a tuning, with their tuned scores.

    Parameters
    ----------
    marks : Fruitlets
        The detector's marks with a low threshold, never the outcome of an earlier tuning.
    tuning : Tuning

    Returns
    -------
    Fruitlets
        Marks made by hand always stay, as they are.
    """
    score = np.where(marks.by_hand, marks.score, tuned_scores(marks, tuning))
    return marks.with_columns(score=score).take((score >= tuning.threshold) | marks.by_hand)


def tuning_record(tuning: Tuning) -> dict[str, Any]:
    """Plain values, for JSON."""
    return {
        "version": 1,
        "threshold": tuning.threshold,
        "weights": dict(zip(FEATURES, tuning.weights, strict=True)),
        "offset": tuning.offset,
    }


def tuning_from_record(record: dict[str, Any]) -> Tuning:
    """Read back what :func:`tuning_record` wrote.

    Raises
    ------
    RecordError
        A key is missing, a value is no number, or the version is not known.
    """
    with broken_as(RecordError, "tuning"):
        if record["version"] != 1:
            raise RecordError(f"tuning: version must be 1, got {record['version']!r}")
        score, yellow, roundness, size = (float(record["weights"][name]) for name in FEATURES)
        return Tuning(
            float(record["threshold"]), (score, yellow, roundness, size), float(record["offset"])
        )


def tuning_sentence(tuning: Tuning, shipped_threshold: float) -> str:
    """What a tuning changes, in words for the person who is asked to accept it."""
    if not tuning.reweights and math.isclose(tuning.threshold, shipped_threshold):
        return "Nothing changes."
    lower = tuning.threshold < shipped_threshold
    parts = [
        f"{'Fainter marks are kept too' if lower else 'Only surer marks are kept'}: from a score "
        f"of {tuning.threshold:.2f} (was {shipped_threshold:.2f})."
    ]
    if tuning.reweights:  # its scores are other ones: the two thresholds cannot be compared
        parts = ["Marks are weighed anew by what you corrected."]
    words = {"yellow": "yellow", "roundness": "round", "size": "large"}
    for name, weight in zip(FEATURES[1:], tuning.weights[1:], strict=True):
        if abs(weight) >= 0.1:
            parts.append(f"{'More' if weight > 0 else 'Less'} {words[name]} marks count for more.")
    return " ".join(parts)


def tuned_on_limb(
    measurement: Measurement, marks: Fruitlets, tuning: Tuning, shipped: float
) -> Fruitlets:
    """Marks on the limb under a tuning, their scores moved so that usual limits still hold.

    Parameters
    ----------
    measurement : Measurement
        Its limb and scale say which marks are on the limb.
    marks : Fruitlets
        With a low threshold.
    tuning : Tuning
    shipped : float
        The shipped threshold. Log-odds are shifted so that the tuning's threshold falls on it:
        a mark that just stays is as doubtful as one that just stayed before.

    Returns
    -------
    Fruitlets
        Only those at or above the threshold.
    """
    kept = apply_tuning(marks_on_limb(measurement, marks), tuning)
    shift = np.diff(logit(np.clip([tuning.threshold, shipped], FLOOR, 1 - FLOOR)))[0]
    return kept.with_columns(score=expit(logit(np.clip(kept.score, FLOOR, 1 - FLOOR)) + shift))


def retuned(shipped: Measurement, marks: Fruitlets, tuning: Tuning) -> Measurement:
    """A photo of the rest of the folder under an accepted tuning.

    Parameters
    ----------
    shipped : Measurement
        The photo as measured with the shipped settings: its scale and limb stay.
    marks : Fruitlets
        The detector's marks on it with a low threshold.
    tuning : Tuning

    Returns
    -------
    Measurement
        A new value; keep ``shipped`` to go back. Marks off the limb stay: see
        :func:`fruitcount.calibrate.lesson_on_limb`. A photo that
        holds marks made by hand is returned as it is: a correction is never overruled.
    """
    if bool(shipped.fruitlets.by_hand.any()):
        return shipped
    here = apply_tuning(marks_on_limb(shipped, marks), tuning)
    off = shipped.fruitlets.take(shipped.fruitlets.on_limb == 0)
    placed = place_fruitlets(here.joined(off), shipped.limb, shipped.scale)
    return replace(shipped, fruitlets=placed)


def adjusted(
    photo: Photo, measurement: Measurement, *, tuning: Tuning, settings: CountSettings
) -> Measurement:
    """A photo's result under an accepted tuning, for ``count_photo``'s ``adjust``.

    Parameters
    ----------
    photo : Photo
    measurement : Measurement
        Measured with ``settings``.
    tuning : Tuning
    settings : CountSettings
    """
    return retuned(measurement, low_marks(photo, settings), tuning)


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
    if len(lessons) < LEAST_PHOTOS_N:
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
    from scipy.optimize import minimize  # slow to load, seldom asked for

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
