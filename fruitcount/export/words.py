"""The answer in plain words and the look of each action: the same on every output.

Colours are from the Okabe-Ito set, which stays apart for the common colour-vision deficiencies
(Okabe M., Ito K., "Color Universal Design", 2008; values from memory). No meaning rests on
colour alone: each action has a shape of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitcount.flags import CAUTIONS_SHORT, Flag
from fruitcount.load.words import load_lines
from fruitcount.pipeline import Decision, Result
from fruitcount.plan.result import Plan
from fruitcount.plan.words import choice_lines, cut_lines
from fruitcount.species.model import load_species
from fruitcount.types import Fruitlets, Kind, Measurement
from fruitcount.units import format_length, format_size

RGB = tuple[int, int, int]

BLACK: RGB = (0, 0, 0)
WHITE: RGB = (255, 255, 255)
INK_RGB: RGB = (24, 28, 32)
PAPER_RGB: RGB = (250, 249, 244)
CUT_RGB: RGB = (204, 121, 167)
OVER_RGB: RGB = (213, 94, 0)
LIMB_RGB: RGB = WHITE


@dataclass(frozen=True)
class ActionStyle:
    """How one action is drawn and named.

    Attributes
    ----------
    word : str
        What the legend says.
    rgb : tuple of int
    shape : {"ring", "cross", "slash", "triangle", "dots"}
    """

    word: str
    rgb: RGB
    shape: str


ACTIONS: dict[str, ActionStyle] = {
    "keep": ActionStyle("keep", (86, 180, 233), "ring"),
    "pinch": ActionStyle("pinch off", (213, 94, 0), "cross"),
    "cut": ActionStyle("goes with the cut", (230, 159, 0), "slash"),
    "yellowing": ActionStyle("yellowing, will drop", (240, 228, 66), "triangle"),
    "elsewhere": ActionStyle("not on this limb", (190, 190, 190), "dots"),
    "counted": ActionStyle("counted", WHITE, "ring"),
}


def fruit_actions(fruit: Fruitlets, plan: Plan) -> list[str]:
    """One key of ``ACTIONS`` a fruit, in its order.

    Parameters
    ----------
    fruit : Fruitlets
    plan : Plan
        Made from these fruitlets.

    Returns
    -------
    list of str
        ``"keep"``, ``"pinch"``, ``"cut"`` (falls with a cut), ``"yellowing"``, ``"elsewhere"``
        (not on this limb) or ``"counted"`` (counted, no plan made).
    """
    cut = np.isin(np.arange(len(fruit)), [int(i) for cut in plan.cuts for i in cut.fruit])
    cases = {
        "elsewhere": fruit.on_limb == 0,
        "cut": cut,
        "yellowing": fruit.kind == Kind.YELLOWING,
        "keep": plan.keep_mask,
        "pinch": plan.off_mask,
    }
    actions: list[str] = np.select(list(cases.values()), list(cases), "counted").tolist()
    return actions


def count_line(measurement: Measurement, units: str = "metric") -> str:
    """What was counted: ``23 fruitlets seen, besides 2 yellowing and 3 not on this limb; ...``."""
    if Flag.COUNT_UNKNOWN in measurement.flags:
        return "Fruit not counted: could not tell from this photo"
    fruit = measurement.fruitlets
    here = fruit.on_limb != 0
    words = f"{int(fruit.counts_as_crop.sum())} fruitlets"
    if np.isfinite(measurement.count_range_n).all():
        words += " seen ({:.0f} to {:.0f} are likely there)".format(*measurement.count_range_n)
    damaged = int(np.sum(here & (fruit.kind == Kind.DAMAGED)))
    words += f", {damaged} of them perhaps damaged" if damaged else ""
    yellowing = int(np.sum(here & (fruit.kind == Kind.YELLOWING)))
    counts = ((yellowing, "yellowing"), (int(np.sum(~here)), "not on this limb"))
    besides = [f"{count} {what}" for count, what in counts if count]
    words += f", besides {' and '.join(besides)}" if besides else ""
    if np.isfinite(fruit.middle_size_mm):
        words += f"; middle size {format_size(fruit.middle_size_mm, units)}"
    return words


def scale_line(measurement: Measurement, units: str = "metric") -> str:
    """Where the scale came from, and the limb's length and thickness."""
    limb = measurement.limb
    if not measurement.scale.known:
        return "No scale: counts and shares of the limb only"
    words = f"Scale from {measurement.scale.source}, {measurement.scale.px_per_mm:.2f} px a mm"
    words += f" (within {200 * measurement.scale.rel_sd_frac:.0f} %)"
    if not limb.found:
        return words
    words += f"; limb {format_length(limb.length_mm, units)} long"
    ends = ((limb.base_diameter_mm, "base"), (limb.tip_diameter_mm, "tip"))
    thick = [f"{format_size(mm, units)} at the {end}" for mm, end in ends if np.isfinite(mm)]
    if limb.diameter_source == "photo" and np.isfinite(limb.base_diameter_mm):
        low, high = limb.base_range_mm
        thick[0] += f" ({format_size(low, units)} to {format_size(high, units)})"
    return words + (f", thick {', '.join(thick)}" if thick else "; thickness not measured")


def reason_lines(decision: Decision) -> list[str]:
    """Where each number of the plan and the load comes from: number, rule, input, source."""
    lines = []
    for reason in (*decision.plan.explanation, *decision.load.explanation):
        lines.append(f"{reason.number}: {reason.value:.4g}. {reason.rule}; {reason.given}")
        lines.append(f"    {reason.source}")
    return lines


def kind_words(decision: Decision) -> str:
    """Species and pass."""
    inputs = decision.inputs
    return f"{load_species(inputs.species).title}, pass {inputs.pass_number}"


def main_lines(result: Result, units: str = "metric") -> list[str]:
    """What picture and terminal say alike, most important first: what to do leads."""
    measurement, decision = result.measurement, result.decision
    return [
        decision.plan.answer,
        *(f"Check: {words}" for words in decision.warnings),
        *choice_lines(decision.choices, units),
        *cut_lines(decision.plan, units),
        *load_lines(decision.load, units),
        *([decision.plan.range_sentence] if decision.plan.range_sentence else []),
        count_line(measurement, units),
    ]


def result_lines(result: Result, units: str = "metric") -> list[str]:
    """Return the whole answer for the terminal, most important first."""
    measurement, decision = result.measurement, result.decision
    return [
        f"{measurement.name or 'photo'}: {kind_words(decision)}",
        *main_lines(result, units),
        scale_line(measurement, units),
        *decision.notes,
        *CAUTIONS_SHORT,
    ]
