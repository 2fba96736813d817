"""What a corrected photo teaches: which of the detector's marks are fruit, and what it missed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fruitcount.evaluate.match import MATCH_RADII, surest_first
from fruitcount.limb import place_fruitlets
from fruitcount.types import Fruitlets, Measurement

__all__ = ["Lesson", "lesson_from", "lesson_on_limb", "marks_on_limb"]


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


def lesson_from(
    automatic: Measurement, corrected: Measurement, marks: Fruitlets | None = None
) -> Lesson:
    """Compare a photo's automatic marks with the corrected ones.

    Parameters
    ----------
    automatic, corrected : Measurement
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
    distance = np.hypot(
        found.x_px[:, None] - known.x_px[None, :], found.y_px[:, None] - known.y_px[None, :]
    )
    taken, taker = surest_first(distance, distance < MATCH_RADII * known.r_px, found.score)
    return Lesson(corrected.name, found, taken >= 0, int(np.count_nonzero(taker < 0)))


def lesson_on_limb(automatic: Measurement, corrected: Measurement, marks: Fruitlets) -> Lesson:
    """The same, from marks on the photographed limb only.

    Who corrects a limb does not look at fruit elsewhere: marks off the limb teach nothing, and
    neither do those that the user named as being on another limb.

    Parameters
    ----------
    automatic, corrected : Measurement
        Of one photo.
    marks : Fruitlets
        The detector's marks with a low threshold, from
        :func:`fruitcount.evaluate.predictors.low_marks`.
    """
    here = marks_on_limb(corrected, marks)
    known = corrected.fruitlets
    off = known.take(known.on_limb == 0)
    for x, y, r in zip(off.x_px, off.y_px, off.r_px, strict=True):
        here = here.take(np.hypot(here.x_px - x, here.y_px - y) >= MATCH_RADII * r)
    mine = replace(corrected, fruitlets=known.take(known.on_limb != 0))
    return lesson_from(automatic, mine, here)


def marks_on_limb(measurement: Measurement, marks: Fruitlets) -> Fruitlets:
    """The marks that lie on the photo's limb, each with its place along it."""
    placed = place_fruitlets(marks, measurement.limb, measurement.scale)
    return placed.take(placed.on_limb != 0)
