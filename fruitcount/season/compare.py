"""Before against after thinning, and one season against another."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from fruitcount.checks import at_least

__all__ = ["BeforeAfter", "SeasonFacts", "SeasonStep", "before_after", "season_steps"]


@dataclass(frozen=True)
class BeforeAfter:
    """What thinning did to a limb or tree.

    Attributes
    ----------
    before_n, after_n : float
    off_n : float
        Taken off or fallen between the photos; negative when more was seen afterwards.
    off_frac : float
        NaN when nothing was seen before.
    left_over_target_n : float
        Fruit still to take off for the target; NaN without one.
    """

    before_n: float
    after_n: float
    off_n: float
    off_frac: float
    left_over_target_n: float


def before_after(before_n: float, after_n: float, *, target_n: float | None = None) -> BeforeAfter:
    """Compare two counts of the same limb, both by eye or both corrected for hidden fruit."""
    at_least("before_n", before_n, 0)
    at_least("after_n", after_n, 0)
    off = before_n - after_n
    left = math.nan if target_n is None else max(after_n - at_least("target_n", target_n, 0), 0.0)
    return BeforeAfter(before_n, after_n, off, off / before_n if before_n else math.nan, left)


@dataclass(frozen=True)
class SeasonFacts:
    """One tree's season in numbers; None where not recorded.

    Attributes
    ----------
    year : int
    fruit_before_n, fruit_after_n, harvest_kg, fruit_g : float or None
    note : str
    """

    year: int
    fruit_before_n: float | None = None
    fruit_after_n: float | None = None
    harvest_kg: float | None = None
    fruit_g: float | None = None
    note: str = ""


@dataclass(frozen=True)
class SeasonStep:
    """Change from one recorded season to the next; NaN where one is missing.

    Attributes
    ----------
    year, previous_year : int
    fruit_change_n, harvest_change_kg, fruit_change_g : float
    """

    year: int
    previous_year: int
    fruit_change_n: float
    harvest_change_kg: float
    fruit_change_g: float


def _change(new: float | None, old: float | None) -> float:
    return math.nan if new is None or old is None else new - old


def season_steps(seasons: Sequence[SeasonFacts]) -> list[SeasonStep]:
    """Changes between following seasons, oldest first."""
    ordered = sorted(seasons, key=lambda s: s.year)
    return [
        SeasonStep(
            b.year,
            a.year,
            _change(b.fruit_after_n, a.fruit_after_n),
            _change(b.harvest_kg, a.harvest_kg),
            _change(b.fruit_g, a.fruit_g),
        )
        for a, b in itertools.pairwise(ordered)
    ]
