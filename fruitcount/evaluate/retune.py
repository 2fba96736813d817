"""A photo under a tuning that the user accepted; what was corrected by hand is never overruled."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fruitcount.evaluate.lessons import marks_on_limb
from fruitcount.evaluate.predictors import low_marks
from fruitcount.evaluate.tuning import Tuning, apply_tuning
from fruitcount.limb import place_fruitlets
from fruitcount.odds import chance_of, log_odds
from fruitcount.pipeline import CountSettings
from fruitcount.types import CIRCLE_COLUMNS, Fruitlets, Measurement, Photo

__all__ = ["adjusted", "retuned", "tuned_on_limb"]

FLOOR = 1e-4
"""Scores are held this far from 0 and 1 while they are moved."""


def tuned_on_limb(
    measurement: Measurement, marks: Fruitlets, tuning: Tuning, shipped: float
) -> Fruitlets:
    """Marks on the limb under a tuning, their scores moved so that usual limits still hold.

    Parameters
    ----------
    seen : Measurement
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
    shift = log_odds(shipped, FLOOR) - log_odds(tuning.threshold, FLOOR)
    return kept.with_columns(score=chance_of(log_odds(kept.score, FLOOR) + shift))


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
        :func:`fruitcount.evaluate.lessons.lesson_on_limb`. A photo that
        holds marks made by hand is returned as it is: a correction is never overruled.
    """
    if bool(shipped.fruitlets.by_hand.any()):
        return shipped
    here = apply_tuning(marks_on_limb(shipped, marks), tuning)
    off = shipped.fruitlets.take(shipped.fruitlets.on_limb == 0)
    both = {n: np.concatenate([getattr(here, n), getattr(off, n)]) for n in CIRCLE_COLUMNS}
    kept = Fruitlets.from_columns(**both)
    return replace(shipped, fruitlets=place_fruitlets(kept, shipped.limb, shipped.scale))


def adjusted(
    photo: Photo, measurement: Measurement, *, tuning: Tuning, settings: CountSettings
) -> Measurement:
    """A photo's result under an accepted tuning, for ``count_photo``'s ``adjust``.

    Parameters
    ----------
    photo : Photo
    seen : Measurement
        Measured with ``settings``.
    tuning : Tuning
    settings : CountSettings
    """
    return retuned(measurement, low_marks(photo, settings), tuning)
