"""From the first pass to the second, and the photo taken after the work."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from fruitcount.errors import at_least
from fruitcount.lines import along_line, line_length_px, point_on_line
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.problem import wood_thickness_frac
from fruitcount.plan.result import FirstPass, Plan
from fruitcount.types import FloatArray, Fruitlets, IntArray, Limb, Shoot


def first_pass_of(plan: Plan, left: tuple[Limb, Fruitlets], limb: Limb, species: str) -> FirstPass:
    """The record of a first-pass plan: ``left`` is what will stand, ``limb`` as it was before."""
    limb_left, fruit_left = left
    per_px = limb.length_mm / limb.length_px if limb.length_px > 0 else math.nan
    places = fruit_left.along_px * per_px
    return FirstPass(
        plan.keep_count,
        plan.final_count,
        plan.length_mm,
        species,
        plan.plan_choice,
        limb_left.length_mm,
        tuple(round(s.fork_along_px * per_px, 1) for s in limb_left.shoots)
        if math.isfinite(per_px)
        else (),
        tuple(float(p) for p in np.round(np.sort(places[np.isfinite(places)]), 1)),
        limb.base_diameter_mm,
    )


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
        plan_choice=first.plan_choice,
        cap=int(min(caps)) if caps else None,
        drop_done=True,
        expected_drop_frac=None,
    )
    return second, tuple(said)


def after_words(planned: int, counted: int) -> str:
    """What the count after the work says against the number that was to stay."""
    over = counted - planned
    if over > 0:
        return f"Still {over} over the plan of {planned}."
    if over < 0:
        return f"{-over} fewer than the plan of {planned}: taken off, fallen, or hidden."
    return f"Kept as planned: {counted} fruit hang here."


def carry_out(
    plan: Plan, fruitlets: Fruitlets, limb: Limb, inputs: GrowerInputs
) -> tuple[Limb, Fruitlets, GrowerInputs]:
    """The limb as it stands after the plan's cuts and pinches, and the inputs of a second pass.

    Returns
    -------
    Limb, Fruitlets, GrowerInputs
        Wood and shoots beyond a cut are gone, of the crop only what is kept stays; a typed limb
        length becomes that of the wood left.
    """
    fruit = fruitlets.take(plan.keep_mask)
    ends = {cut.shoot: cut.at_px for cut in plan.cuts}
    shoots: list[Shoot] = []
    number = np.full(len(limb.shoots) + 1, -1)
    for i, shoot in enumerate(limb.shoots):
        if shoot.fork_along_px <= ends.get(-1, np.inf):
            number[i] = len(shoots)
            line = _up_to(shoot.line_px, ends[i]) if i in ends else shoot.line_px
            shoots.append(replace(shoot, line_px=line))
    known = np.where(fruit.shoot < len(limb.shoots), fruit.shoot, -1)
    fruit = fruit.with_columns(shoot=number[known])
    second = replace(inputs, pass_number=2, drop_done=True, expected_drop_frac=None)
    if -1 not in ends:
        return replace(limb, shoots=tuple(shoots)), fruit, second
    whole = limb.length_px if limb.length_px > 0 else line_length_px(limb.line_px)
    share = ends[-1] / whole
    line = _up_to(limb.line_px, ends[-1])
    shorter = replace(
        limb,
        line_px=line,
        width_px=np.interp(along_line(line), along_line(limb.line_px), limb.width_px)
        if len(limb.width_px) == len(limb.line_px)
        else limb.width_px[:0],
        length_px=ends[-1],
        length_mm=limb.length_mm * share,
        tip_diameter_mm=limb.base_diameter_mm
        * float(wood_thickness_frac(limb, np.array([-1]), np.array([share]))[0]),
        shoots=tuple(shoots),
    )
    typed = inputs.limb_length_mm
    return shorter, fruit, replace(second, limb_length_mm=typed * share if typed else None)


def _up_to(line_px: FloatArray, along_px: float) -> FloatArray:
    """A line's part up to a place along it."""
    along = along_line(line_px)
    return np.vstack([line_px[along < along_px], point_on_line(line_px, along_px)])


def other_limb_words(first: FirstPass, fruitlets: Fruitlets, limb: Limb) -> str:
    """Why a photo does not show the limb on record; empty where it may be the same.

    Compared are its length with that before and after the cuts, its thickness (either a third off
    is another limb), and the places of forks and of the fruit that should remain: at least 55 % of
    them must be found, since fruit falls or hides. Our choice: of drawn limbs photographed again
    it refuses 2 in 100; of others of like length it takes 9 in 100 for the same, 15 where all are
    14-28 mm thick (``tests/plan/test_promise.py``). What was not measured is not held against it.
    """
    if not (first.left_length_mm > 0 and limb.length_mm > 0):
        return ""
    lengths = [first.left_length_mm, first.length_mm]
    if not any(0.7 <= limb.length_mm / x <= 1.4 for x in lengths if x > 0):
        return (
            f"the limb is {limb.length_mm / 10:.0f} cm long, the planned one would be "
            f"{first.left_length_mm / 10:.0f} cm"
        )
    thick, was = limb.base_diameter_mm, first.base_diameter_mm
    if thick > 0 and was > 0 and not 0.75 <= thick / was <= 4 / 3:
        return f"the limb is {thick:.0f} mm thick at its base, the planned one {was:.0f} mm"
    per_px = limb.length_mm / limb.length_px
    fruit = fruitlets.along_mm[fruitlets.counts_as_crop & np.isfinite(fruitlets.along_mm)]
    forks = np.array([s.fork_along_px for s in limb.shoots]) * per_px
    wanted = len(first.left_fruit_mm) + len(first.left_forks_mm)
    if wanted < 2 or not len(fruit):
        return ""
    found = _found_again(first.left_fruit_mm, fruit, limb.length_mm)
    found = found + _found_again(first.left_forks_mm, forks, limb.length_mm)
    if found.max() < 0.55 * wanted:
        return "its forks and the fruit that should remain are in other places"
    return ""


def _found_again(wanted: tuple[float, ...], found_mm: FloatArray, length_mm: float) -> IntArray:
    """How many places are found, for each stretch and shift that two photos may differ by."""
    fits = np.array([(k, s) for k in np.linspace(0.94, 1.06, 7) for s in np.linspace(-3, 3, 7)])
    if not wanted or not len(found_mm):
        return np.zeros(len(fits), dtype=np.int64)
    places = fits[:, :1] * np.array(wanted) + fits[:, 1:] * length_mm / 100
    apart = np.abs(places[:, :, None] - found_mm).min(axis=2)
    near: IntArray = (apart <= max(0.015 * length_mm, 8.0)).sum(axis=1)
    return near
