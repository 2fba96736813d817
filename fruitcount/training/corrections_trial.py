"""Learning from corrections tried out on annotated photos, whose annotation plays the corrector.

``python -m fruitcount.training.corrections_trial FOLDER ... [--held-back]`` prints, for the shipped
threshold and for one set wrong on purpose, how often a few photos propose a change and what that
change is worth on all the others.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from fruitcount.calibrate import Lesson, propose, tally, total
from fruitcount.detect.heatmap import SHIPPED_THRESHOLD, default_source
from fruitcount.errors import BadInputError
from fruitcount.evaluate.match import match_surest
from fruitcount.evaluate.predictors import pipeline_predictor
from fruitcount.evaluate.run import EvaluateSettings, evaluate_folder
from fruitcount.evaluate.scores import Judged
from fruitcount.evaluate.split import held_back
from fruitcount.pipeline import CountSettings

WRONG_THRESHOLD = 0.55
"""Set too high on purpose."""


@dataclass(frozen=True)
class Trial:
    """What a few corrected photos were worth on the others of their set.

    Attributes
    ----------
    proposed : bool
    gain : float
        F1 on the other photos after the proposal, less that before; 0 if none was made.
    """

    proposed: bool
    gain: float


def lesson_of(judged: Judged) -> Lesson:
    """A photo as if its annotation were the user's corrections.

    Marks that the annotation neither asks for nor forbids are left out; of two marks of one fruit
    the surer takes it, as in :func:`fruitcount.calibrate.lesson_from`.
    """
    pairs = match_surest(judged.all_found, judged.truth)
    told = ~pairs.dropped
    return Lesson(
        judged.truth.name, judged.all_found.take(told), pairs.truth_of[told] >= 0, pairs.missed_n
    )


def tried(
    lessons: Sequence[Lesson], photos_n: int, shipped_threshold: float, *, tries_n: int, seed: int
) -> list[Trial]:
    """Learn from ``photos_n`` random photos, judge on all the others, again and again.

    Parameters
    ----------
    lessons : sequence of Lesson
        One set; photos without any known fruit are never taught from.
    photos_n : int
    shipped_threshold : float
    tries_n, seed : int

    Raises
    ------
    BadInputError
        The set has not more than ``photos_n`` photos with fruit.
    """
    some = [i for i, le in enumerate(lessons) if le.unseen_n + int(le.is_fruit.sum())]
    if len(some) <= photos_n:
        raise BadInputError(f"photos: more than {photos_n} with fruit are needed, got {len(some)}")
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(tries_n):
        chosen = set(rng.choice(some, photos_n, replace=False).tolist())
        proposal = propose([lessons[i] for i in sorted(chosen)], shipped_threshold)
        others = [lesson for i, lesson in enumerate(lessons) if i not in chosen]
        before, after = (
            total([tally(lesson, t) for lesson in others]).f1
            for t in (proposal.shipped, proposal.tuning)
        )
        out.append(Trial(proposal.worthwhile, after - before if proposal.worthwhile else 0.0))
    return out


def _row(name: str, trials: Sequence[Trial]) -> str:
    gains = [t.gain for t in trials if t.proposed]
    worth = f"{np.mean(gains):+.3f}" if gains else "-"
    better = sum(g > 0 for g in gains)
    worse = sum(g < 0 for g in gains)
    return f"{name:32s} {len(trials):5d} {len(gains):8d} {better:6d} {worse:5d} {worth:>8s}"


def main() -> None:
    """Read the command line, try, print one row a threshold and set."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--held-back", action="store_true", help="only photos kept from training")
    parser.add_argument("--photos", type=int, nargs="+", default=[3, 6], help="corrected photos")
    parser.add_argument("--tries", type=int, default=20, help="of each set and number of photos")
    args = parser.parse_args()
    source = default_source()
    shipped = SHIPPED_THRESHOLD[source]
    predict = pipeline_predictor(CountSettings(source=source), whole_curve=True)
    print(f"{'':32s} tries proposed better worse  F1 mean")
    all_trials: dict[float, list[Trial]] = {shipped: [], WRONG_THRESHOLD: []}
    for folder in args.folders:
        keep = partial(held_back, folder.name) if args.held_back else None
        settings = EvaluateSettings(threshold=shipped, keep=keep, measure_light=False)
        lessons = [lesson_of(j) for j in evaluate_folder(folder, predict, settings=settings).judged]
        for threshold, whole in all_trials.items():
            own = [
                trial
                for n in args.photos
                for trial in tried(lessons, n, threshold, tries_n=args.tries, seed=n)
            ]
            whole.extend(own)
            print(_row(f"{folder.name} {threshold:.2f}", own), flush=True)
    for threshold, whole in all_trials.items():
        print(_row(f"all {threshold:.2f}", whole))


if __name__ == "__main__":
    main()
