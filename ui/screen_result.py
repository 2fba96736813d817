"""What stands beside the photo: the answer, why, the cuts, the load, the cautions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import streamlit as st
from screen_words import LEGEND

import fruitcount.corrections as cx
from fruitcount.export.words import count_line, fruit_actions, scale_line
from fruitcount.flags import CAUTIONS_FULL, CAUTIONS_SHORT, SENTENCES, Flag, flag_sentences
from fruitcount.lines import across_line
from fruitcount.load.words import load_lines
from fruitcount.pipeline import Result
from fruitcount.plan.words import choice_lines, cut_lines
from fruitcount.units import format_size

# What may be asked in place, in the order of asking: its words, and the flags that it stands for.
_QUESTIONS = {
    "no limb": ("Where is the limb?", Flag.LIMB_NOT_FOUND),
    "limb": ("Is this the limb?", Flag.LIMB_DOUBTFUL | Flag.LIMB_UNSURE),
    "length": ("How long is this limb?", Flag.NO_SCALE | Flag.LOAD_UNKNOWN),
    "scale": ("Is the scale right?", Flag.SIZES_OUT_OF_RANGE),
    "ends": ("Is this end its base?", Flag.LIMB_ENDS_UNSURE),
}
_OF_THE_LIMB = Flag.LIMB_NOT_FOUND | Flag.LIMB_DOUBTFUL | Flag.LIMB_UNSURE | Flag.LIMB_ENDS_UNSURE
_POOR_PHOTO = Flag.PHOTO_BLURRED | Flag.PHOTO_DARK | Flag.PHOTO_BRIGHT


@dataclass(frozen=True)
class Answer:
    """The words above the photo.

    Attributes
    ----------
    summary, detail : str
        The first line, and a smaller one under it.
    warnings : list of str
        What casts doubt on it; what is asked is not said twice.
    ask : {"", "no limb", "limb", "length", "scale", "ends"}
        The one thing asked in place.
    question : str
        Its words, where the first line does not say them.
    """

    summary: str
    detail: str
    warnings: list[str]
    ask: str = ""
    question: str = ""


def answer_of(result: Result, units: str) -> Answer:
    """What to do, or the count and the one thing that must be known first."""
    plan, flags = result.decision.plan, result.decision.flags
    ask = _asked(result)
    words, stands_for = _QUESTIONS.get(ask, ("", Flag.NONE))
    if ask == "length" and Flag.LIMB_LEAVES_FRAME in flags:
        words = "How long is the limb in the photo?"
    n, fruit = plan.crop_count, result.measurement.fruitlets
    big, _, reason = result.decision.plan.answer.partition(": ")
    small = counted = count_line(result.measurement, units)
    if reason:
        reason = reason[:1].upper() + reason[1:]
        small = f"{reason}. {counted}" if plan.off_count else reason
    beside = int((fruit.on_limb == 0).sum())
    if Flag.COUNT_UNKNOWN in flags:
        poor = flag_sentences(flags & _POOR_PHOTO)
        stands_for |= flags & (_POOR_PHOTO | Flag.COUNT_UNKNOWN)
        small = poor[0] if poor else "No fruit, limb or scale card was found on it."
        big = "Cannot count: take the photo again"
    elif ask == "scale":
        size = format_size(fruit.middle_size_mm, units)
        big, small = f"{n} fruit. {words}", f"By it they measure {size}. If so: {big}."
    elif n == 0 and beside:
        big = f"{beside} fruit, none on this limb. {words}".strip()
        small = "" if ask else "Tap a fruit to say that it is, or show the limb again."
    elif n == 0 and plan.verdict == "leave":
        big, small = "No fruit marked", "Tap each fruit on the photo, or take a sharper photo."
    elif ask and plan.verdict in ("cannot tell", "check limb"):
        big, small = f"{n} fruit. {words}", ""
    left = [w for w in result.decision.warnings if w not in flag_sentences(stands_for)]
    if ask == "ends":  # its sentence names the end, as the picture does here
        left = [w for w in left if w in SENTENCES.values()]
    return Answer(big, small, left, ask, "" if words in big else words)


def _asked(result: Result) -> str:
    """The first doubt that an answer on the spot can end: a length is the same from either end."""
    measurement, plan = result.measurement, result.decision.plan
    limb, flags = measurement.limb, measurement.flags
    if not len(measurement.fruitlets) or Flag.COUNT_UNKNOWN in flags:
        return ""
    settled = _OF_THE_LIMB if limb.by_hand and limb.found else Flag.NONE
    if measurement.scale.known or plan.verdict == "leave" or math.isfinite(plan.length_mm):
        settled |= _QUESTIONS["length"][1]
    if not plan.crop_count:  # a line without fruit beside fruit without a line
        flags |= Flag.LIMB_DOUBTFUL
    open_to = flags & ~settled
    return next((ask for ask, (_, asked) in _QUESTIONS.items() if open_to & asked), "")


def actions_by_mark(result: Result, sheet: cx.Sheet) -> dict[str, str]:
    """What becomes of each mark that is to stay or go; nothing while that is not known."""
    if result.decision.plan.verdict not in ("thin", "leave"):
        return {}
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
        nx, ny = across_line(line, cut.at_px)
        x, y = cut.x_px, cut.y_px
        strokes.append((x - nx * reach, y - ny * reach, x + nx * reach, y + ny * reach))
    return strokes


def show_result(result: Result, units: str) -> None:
    """What to do, what the limb will bear, and the cautions, most important first."""
    if result.decision.plan.verdict in ("thin", "leave"):
        st.caption(LEGEND)
    _list(cut_lines(result.decision.plan, units))
    _list(choice_lines(result.decision.choices, units)[1:])
    st.write("  \n".join(load_lines(result.decision.load, units)))
    st.caption("  \n".join(CAUTIONS_SHORT))


def show_reasons(result: Result, units: str, key: str) -> None:
    """Why, all cautions, and where each number comes from."""
    plan, load = result.decision.plan, result.decision.load
    with st.expander("Why, and where each number comes from", key=f"{key}why"):
        st.write(f"**{plan.reason}** {plan.range_sentence}")
        _list(choice_lines(result.decision.choices, units))
        st.markdown("**Notes**")
        _list(result.decision.notes)
        st.write("  \n".join(CAUTIONS_FULL))
        st.markdown("**What was counted, and where each number comes from**")
        st.write(f"{count_line(result.measurement, units)}.")
        st.write(f"{scale_line(result.measurement, units)}.")
        for reason in (*plan.explanation, *load.explanation):
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
