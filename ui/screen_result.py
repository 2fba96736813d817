"""What stands beside the photo: the answer, why, the cuts, the load, the cautions."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import streamlit as st
from screen_words import LEGEND

import fruitcount.corrections as cx
from fruitcount.cautions import CAUTIONS_FULL, CAUTIONS_SHORT
from fruitcount.export.words import count_line, fruit_actions, scale_line
from fruitcount.flags import Flag, flag_sentences
from fruitcount.lines import point_on_line
from fruitcount.load.words import load_detail_lines, load_lines
from fruitcount.pipeline import Result
from fruitcount.plan.words import choice_lines, cut_lines
from fruitcount.types import FloatArray

_LIMB_ASKED = Flag.LIMB_DOUBTFUL | Flag.LIMB_NOT_FOUND | Flag.LIMB_UNSURE | Flag.LIMB_ENDS_UNSURE
_ASKED = Flag.NO_SCALE | Flag.LOAD_UNKNOWN


def headline(result: Result, units: str) -> tuple[str, str]:
    """The line above the photo and the smaller one under it."""
    plan = result.decision.plan
    if plan.crop_count == 0 and plan.verdict == "leave":
        return "No fruit marked", "Tap each fruit on the photo, or take a sharper photo."
    if question(result) == "length":
        return f"{plan.crop_count} fruit. How long is this limb?", ""
    big, _, reason = result.decision.answer.partition(": ")
    counted = count_line(result.measurement, units)
    return big, counted if not reason else f"{reason}. {counted}" if plan.off_count else reason


def actions_by_mark(result: Result, sheet: cx.Sheet) -> dict[str, str]:
    """What becomes of each mark that is to stay or go."""
    actions = zip(
        sheet.marks, fruit_actions(result.measurement.fruitlets, result.decision.plan), strict=True
    )
    return {m.id: action for m, action in actions if action in ("keep", "pinch", "cut")}


def cut_strokes(result: Result) -> list[tuple[float, float, float, float]]:
    """A stroke across the wood for each cut, in photo pixels."""
    limb, strokes = result.measurement.limb, []
    reach = max(0.04 * max(limb.length_px, 1.0), 20.0) if math.isfinite(limb.length_px) else 30.0
    for cut in result.decision.plan.cuts:
        line = limb.line_px if cut.shoot < 0 else limb.shoots[cut.shoot].line_px
        nx, ny = _across(line, cut.at_px)
        x, y = cut.x_px, cut.y_px
        strokes.append((x - nx * reach, y - ny * reach, x + nx * reach, y + ny * reach))
    return strokes


def _across(line: FloatArray, at_px: float) -> tuple[float, float]:
    ends = point_on_line(line, np.array([max(0.0, at_px - 8), at_px + 8]))
    dx, dy = (float(v) for v in ends[1] - ends[0])
    length = math.hypot(dx, dy) or 1.0
    return -dy / length, dx / length


def warnings(result: Result) -> list[str]:
    """What casts doubt on the answer, beside it; what the question asks for is not said twice."""
    asked = flag_sentences(_ASKED) if question(result) == "length" else []
    return [words for words in result.decision.warnings if words not in asked]


def question(result: Result) -> str:
    """The one thing to ask in place: is this the limb, how long is it, or nothing."""
    measurement = result.measurement
    limb = measurement.limb
    # a length is the same from either end, so it is asked for before which end is the base
    asked = _LIMB_ASKED if measurement.scale.known else _LIMB_ASKED & ~Flag.LIMB_ENDS_UNSURE
    if not limb.by_hand and measurement.flags & asked:
        return "limb"
    return "length" if limb.found and not measurement.scale.known else ""


def show_result(result: Result, units: str) -> None:
    """What to do, what the limb will bear, and the cautions, most important first."""
    st.caption(LEGEND)
    _list(cut_lines(result.decision.plan, units))
    _list(choice_lines(result.decision.choices, units)[1:])
    st.write("  \n".join(load_lines(result.decision.load, units)))
    st.caption("  \n".join(CAUTIONS_SHORT))


def show_reasons(result: Result, units: str) -> None:
    """Why, the load in figures, all cautions, and where each number comes from."""
    plan, load = result.decision.plan, result.decision.load
    with st.expander("Why, and where each number comes from"):
        st.write(f"**{plan.reason}** {plan.range_sentence}")
        _list(choice_lines(result.decision.choices, units))
        _list([*load_lines(load, units), *load_detail_lines(load, units)])
        st.markdown("**Notes**")
        _list(result.decision.notes)
        st.write("  \n".join(CAUTIONS_FULL))
        st.markdown("**What was counted, and where each number comes from**")
        st.write(f"{count_line(result.measurement, units)}.")
        st.write(f"{scale_line(result.measurement, units)}.")
        for reason in plan.explanation:
            st.markdown(
                f"**{reason.number}: {_number(reason.value)}.** {_sentence(reason.rule)} "
                f"Given: {_sentence(reason.given)} Source: {_sentence(reason.source)}"
            )


def _sentence(words: str) -> str:
    return words if words.endswith(".") else f"{words}."


def _list(lines: Sequence[str]) -> None:
    if lines:
        st.markdown("\n".join(f"- {line}" for line in lines))


def _number(value: float) -> str:
    if not math.isfinite(value):
        return "not known"
    if value == round(value) or abs(value) >= 100:
        return f"{value:.0f}"
    return f"{value:.1f}" if abs(value) >= 10 else f"{value:.2g}"
