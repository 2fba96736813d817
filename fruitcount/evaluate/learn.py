"""Learn from the corrections on some photos of a tree, for the rest of the folder.

Nothing here changes a result. :func:`propose` measures, by leaving out one corrected photo at a
time, whether a new threshold or new score weights would have found that photo's fruit better,
and returns a proposal. Only what the user accepts (:meth:`Proposal.accept`) is a tuning, and
results made with the shipped settings stay as they are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from fruitcount.checks import in_range, positive
from fruitcount.evaluate.match import MATCH_RADII
from fruitcount.evaluate.predictors import low_marks
from fruitcount.evaluate.scores import Tally
from fruitcount.evaluate.tuning import (
    Tuning,
    apply_tuning,
    features,
    shipped_tuning,
    tuned_scores,
    tuning_record,
    tuning_sentence,
)
from fruitcount.limb import place_fruitlets
from fruitcount.pipeline import CountSettings
from fruitcount.types import CIRCLE_COLUMNS, FloatArray, Fruitlets, Photo, Seen

__all__ = [
    "LearnSettings",
    "Lesson",
    "Proposal",
    "adjusted",
    "lesson_from",
    "lesson_on_limb",
    "propose",
    "retuned",
    "tuned_on_limb",
]


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
    is_fruit: NDArray[np.bool_]
    unseen_n: int


@dataclass(frozen=True)
class LearnSettings:
    """How cautious the learning is.

    Attributes
    ----------
    shipped_threshold : float
        Of the source that found the marks: ``fruitcount.detect.settings.SHIPPED_THRESHOLD``.
    prior_strength : float
        How strongly weights are held to "no change". Larger learns less from the same photos.
        4 lets about 100 marks move a weight visibly (chosen on drawn scenes).
    weights_from_n : int
        Weights are learned from so many corrected photos on; fewer teach the threshold alone.
    photos_to_half_n : float
        From so many photos a learned threshold is gone half the way to; from n of them
        n / (n + photos_to_half_n). Larger moves less. 0 goes all the way.
    least_gain : float
        Smallest rise of left-out F1 that is worth a change. Larger proposes less often.
    doubt_frac : float
        The gain must stay above zero in all but this share of resamples of the corrected photos
        (bootstrap; Efron 1979, from memory). Smaller proposes less often. Without this, and
        without going only part of the way, nearly all proposals on open fruit sets whose shipped
        threshold was right made other photos worse.
    least_photos_n : int
        Fewer corrected photos propose nothing: there is nothing to leave out.
    """

    shipped_threshold: float = 0.4
    prior_strength: float = 4.0
    weights_from_n: int = 5
    photos_to_half_n: float = 2.0
    least_gain: float = 0.03
    doubt_frac: float = 0.1
    least_photos_n: int = 2

    def __post_init__(self) -> None:
        in_range("shipped_threshold", self.shipped_threshold, 0, 1)
        in_range("doubt_frac", self.doubt_frac, 0, 1)
        positive("prior_strength", self.prior_strength)


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

    def accept(self) -> Tuning:
        """The user says yes: the tuning to use on the rest of the folder."""
        return self.tuning if self.worthwhile else self.shipped

    def decline(self) -> Tuning:
        """The user says no, or takes it back: the shipped settings."""
        return self.shipped


def lesson_from(automatic: Seen, corrected: Seen, marks: Fruitlets | None = None) -> Lesson:
    """Compare a photo's automatic marks with the corrected ones.

    Parameters
    ----------
    automatic, corrected : Seen
        Of one photo.
    marks : Fruitlets, optional
        The detector's marks with a low threshold. Default: those of ``automatic``.

    Returns
    -------
    Lesson
        A mark is fruit if a corrected circle lies within 0.7 of that circle's radius; the surer
        of two marks takes it.
    """
    found = automatic.fruitlets if marks is None else marks
    known = corrected.fruitlets
    free = np.ones(len(known), bool)
    is_fruit = np.zeros(len(found), bool)
    for i in np.argsort(-np.nan_to_num(found.score, nan=1.0), kind="stable"):
        distance = np.hypot(known.x_px - found.x_px[i], known.y_px - found.y_px[i])
        reach = np.where(free & (distance < MATCH_RADII * known.r_px), distance, np.inf)
        if len(reach) and np.isfinite(reach.min()):
            free[int(reach.argmin())] = False
            is_fruit[i] = True
    return Lesson(corrected.name, found, is_fruit, int(free.sum()))


def lesson_on_limb(automatic: Seen, corrected: Seen, marks: Fruitlets) -> Lesson:
    """The same, from marks on the photographed limb only.

    Who corrects a limb does not look at fruit elsewhere: marks off the limb teach nothing, and
    neither do those that the user named as being on another limb.

    Parameters
    ----------
    automatic, corrected : Seen
        Of one photo.
    marks : Fruitlets
        The detector's marks with a low threshold, from
        :func:`fruitcount.evaluate.predictors.low_marks`.
    """
    here = _on_limb(corrected, marks)
    known = corrected.fruitlets
    off = known.take(known.on_limb == 0)
    for x, y, r in zip(off.x_px, off.y_px, off.r_px, strict=True):
        here = here.take(np.hypot(here.x_px - x, here.y_px - y) >= MATCH_RADII * r)
    mine = replace(corrected, fruitlets=known.take(known.on_limb != 0))
    return lesson_from(automatic, mine, here)


def tuned_on_limb(seen: Seen, marks: Fruitlets, tuning: Tuning, shipped: float) -> Fruitlets:
    """Marks on the limb under a tuning, their scores moved so that usual limits still hold.

    Parameters
    ----------
    seen : Seen
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
    kept = apply_tuning(_on_limb(seen, marks), tuning)
    shift = _log_odds(np.array([shipped])) - _log_odds(np.array([tuning.threshold]))
    odds = _log_odds(kept.score) + shift
    return kept.with_columns(score=1 / (1 + np.exp(-odds)))


def _log_odds(share: FloatArray) -> FloatArray:
    inside = np.clip(share, 1e-4, 1 - 1e-4)
    return np.asarray(np.log(inside / (1 - inside)))


def _on_limb(seen: Seen, marks: Fruitlets) -> Fruitlets:
    placed = place_fruitlets(marks, seen.limb, seen.scale)
    return placed.take(placed.on_limb != 0)


def propose(lessons: Sequence[Lesson], settings: LearnSettings | None = None) -> Proposal:
    """Learn from corrected photos, and measure what it is worth.

    Two changes are tried: a new threshold alone, part of the way to the best one, and, with
    enough photos, new weights with a new threshold. The weights must beat the best threshold
    alone as surely as that beats no change, since they have more ways to fit by chance.

    Parameters
    ----------
    lessons : sequence of Lesson
        Photos of one tree, or at least of one day and light.
    settings : LearnSettings, optional

    Returns
    -------
    Proposal
        With ``worthwhile`` False where there are too few photos or too little gain.
    """
    s = settings or LearnSettings()
    shipped = shipped_tuning(s.shipped_threshold)
    start = [_tally(lesson, shipped) for lesson in lessons]
    before = _total(start)
    if len(lessons) < max(2, s.least_photos_n):
        return Proposal(shipped, shipped, before, before, len(lessons), False)
    best, tuning = start, shipped
    share = len(lessons) / (len(lessons) + s.photos_to_half_n)
    part = _left_out(lessons, lambda taught: _part_way(_fit_threshold(taught, s), share, s))
    if _gains(start, part, s):
        best, tuning = part, _part_way(_fit_threshold(lessons, s), share, s)
    if len(lessons) >= s.weights_from_n:
        whole = _left_out(lessons, lambda taught: _fit_threshold(taught, s))
        weighed = _left_out(lessons, lambda taught: _fit_weights(taught, s))
        if _gains(best, weighed, s) and _gains(whole, weighed, s):
            best, tuning = weighed, _fit_weights(lessons, s)
    return Proposal(tuning, shipped, before, _total(best), len(lessons), tuning is not shipped)


def _left_out(lessons: Sequence[Lesson], fit: Callable[[Sequence[Lesson]], Tuning]) -> list[Tally]:
    """Each photo judged by what the others teach."""
    return [
        _tally(lesson, fit([*lessons[:i], *lessons[i + 1 :]])) for i, lesson in enumerate(lessons)
    ]


def _gains(before: Sequence[Tally], after: Sequence[Tally], s: LearnSettings) -> bool:
    """Whether left-out F1 rises enough, and not by a few photos' chance."""
    if not _total(after).f1 >= _total(before).f1 + s.least_gain:
        return False
    counts = np.array(
        [[[t.hits_n, t.false_n, t.missed_n] for t in side] for side in (before, after)]
    )
    draws = np.random.default_rng(1).integers(0, len(before), (400, len(before)))
    hits, false, missed = np.moveaxis(counts[:, draws].sum(axis=2), -1, 0)
    f1 = 2 * hits / np.maximum(2 * hits + false + missed, 1)
    return bool(np.quantile(f1[1] - f1[0], s.doubt_frac) > 0)


def retuned(shipped: Seen, marks: Fruitlets, tuning: Tuning) -> Seen:
    """A photo of the rest of the folder under an accepted tuning.

    Parameters
    ----------
    shipped : Seen
        The photo as measured with the shipped settings: its scale and limb stay.
    marks : Fruitlets
        The detector's marks on it with a low threshold.
    tuning : Tuning

    Returns
    -------
    Seen
        A new value; keep ``shipped`` to go back. Marks off the limb stay: see
        :func:`lesson_on_limb`. A photo that holds marks made by hand is returned as it is: a
        correction is never overruled.
    """
    if bool(shipped.fruitlets.by_hand.any()):
        return shipped
    here = apply_tuning(_on_limb(shipped, marks), tuning)
    off = shipped.fruitlets.take(shipped.fruitlets.on_limb == 0)
    both = {n: np.concatenate([getattr(here, n), getattr(off, n)]) for n in CIRCLE_COLUMNS}
    kept = Fruitlets.from_columns(**both)
    return replace(shipped, fruitlets=place_fruitlets(kept, shipped.limb, shipped.scale))


def adjusted(photo: Photo, seen: Seen, *, tuning: Tuning, settings: CountSettings) -> Seen:
    """A photo's result under an accepted tuning, for ``count_photo``'s ``adjust``.

    Parameters
    ----------
    photo : Photo
    seen : Seen
        Measured with ``settings``.
    tuning : Tuning
    settings : CountSettings
    """
    return retuned(seen, low_marks(photo, settings), tuning)


def _part_way(tuning: Tuning, share: float, s: LearnSettings) -> Tuning:
    """A threshold between the shipped one and the one learned: few photos teach it roughly."""
    move = tuning.threshold - s.shipped_threshold
    return Tuning(round(s.shipped_threshold + share * move, 3))


def _fit_threshold(lessons: Sequence[Lesson], s: LearnSettings) -> Tuning:
    shipped = shipped_tuning(s.shipped_threshold)
    return Tuning(_best_threshold(lessons, shipped, s.shipped_threshold))


def _fit_weights(lessons: Sequence[Lesson], s: LearnSettings) -> Tuning:
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
        return float(value + s.prior_strength / 2 * pull @ pull), slope + s.prior_strength * pull

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


def _tally(lesson: Lesson, tuning: Tuning) -> Tally:
    kept = tuned_scores(lesson.marks, tuning) >= tuning.threshold
    hits = int(np.count_nonzero(kept & lesson.is_fruit))
    missed = int(lesson.is_fruit.sum()) + lesson.unseen_n - hits
    return Tally(hits, int(np.count_nonzero(kept)) - hits, missed)


def _total(parts: Sequence[Tally]) -> Tally:
    return Tally(
        sum(p.hits_n for p in parts),
        sum(p.false_n for p in parts),
        sum(p.missed_n for p in parts),
    )
