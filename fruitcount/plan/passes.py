"""From the first pass to the second, and the photo taken after the work."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from fruitcount.checks import at_least
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.result import Plan
from fruitcount.types import Fruitlets

__all__ = [
    "AfterCheck",
    "FirstPass",
    "check_after",
    "check_count",
    "first_pass_of",
    "second_pass_inputs",
]


@dataclass(frozen=True)
class FirstPass:
    """What the first pass leaves on record for the second.

    Attributes
    ----------
    kept_count : int
        Fruit left standing.
    final_count : float
        Wanted at harvest; NaN if it was not told.
    length_mm : float
        Fruiting wood as it was before the cuts; NaN if not told.
    species : str
    """

    kept_count: int
    final_count: float
    length_mm: float
    species: str

    def __post_init__(self) -> None:
        at_least("kept_count", self.kept_count, 0)


def first_pass_of(plan: Plan, inputs: GrowerInputs) -> FirstPass:
    """The record of a first-pass plan."""
    return FirstPass(plan.keep_count, plan.target.final, plan.length_mm, inputs.species)


def second_pass_inputs(
    inputs: GrowerInputs, first: FirstPass, counted_now: int
) -> tuple[GrowerInputs, tuple[str, ...]]:
    """Inputs of the second pass, from what the first recorded.

    The final count of the first pass becomes a cap, so a limb shortened by cuts does not end
    with more than was wanted of it when whole; spacing over what is left may ask for fewer.
    What fell since is taken for the natural drop, which is then over.

    Parameters
    ----------
    inputs : GrowerInputs
        As of the first pass.
    first : FirstPass
    counted_now : int
        Green fruit counted before the second pass.

    Returns
    -------
    GrowerInputs, tuple of str
        And what is to be said about the change.
    """
    at_least("counted_now", counted_now, 0)
    caps = [c for c in (inputs.cap, first.final_count) if c is not None and math.isfinite(c)]
    said = []
    fell = first.kept_count - counted_now
    if fell > 0:
        said.append(
            f"{fell} of the {first.kept_count} left by the first pass have fallen since "
            f"({fell / first.kept_count:.0%})."
        )
    elif fell < 0:
        said.append(
            f"{-fell} more than the first pass meant to leave: some were missed, or not taken off."
        )
    second = replace(
        inputs,
        pass_number=2,
        cap=int(min(caps)) if caps else None,
        drop_done=True,
        expected_drop_frac=None,
    )
    return second, tuple(said)


@dataclass(frozen=True)
class AfterCheck:
    """Whether the plan was carried out.

    Attributes
    ----------
    over : int
        Fruit still over the plan; negative where more was taken off.
    as_planned : bool
        Within the count's own uncertainty.
    sentence : str
    """

    over: int
    as_planned: bool
    sentence: str


def check_after(plan: Plan, after: Fruitlets, *, count_sd: float = 0.0) -> AfterCheck:
    """Compare a photo taken after the work with the plan; see :func:`check_count`."""
    return check_count(plan.keep_count, int(after.counts_as_crop.sum()), count_sd=count_sd)


def check_count(planned: int, counted: int, *, count_sd: float = 0.0) -> AfterCheck:
    """Compare the fruit counted after the work with what was to stay.

    Parameters
    ----------
    planned, counted : int
    count_sd : float
        Standard deviation of such a count; up to two of them are not held against the plan.
    """
    at_least("count_sd", count_sd, 0.0)
    over = counted - planned
    if abs(over) <= 2 * count_sd:
        return AfterCheck(over, True, f"Kept as planned: {counted} fruit hang here.")
    if over > 0:
        return AfterCheck(over, False, f"Still {over} over the plan of {planned}.")
    text = f"{-over} fewer than the plan of {planned}: taken off, fallen, or hidden."
    return AfterCheck(over, False, text)
