"""What stands beside the photo: the answer, why, the cuts, the load, the cautions."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import review_state as rs
import streamlit as st
from screen_engine import doubt_below
from screen_words import CAUTIONS, LEGEND

from fruitcount.export.fates import fruit_fates
from fruitcount.export.words import count_line, cut_lines, scale_line
from fruitcount.flags import flag_sentences
from fruitcount.lines import point_on_line
from fruitcount.load import LoadReport
from fruitcount.pipeline import Result
from fruitcount.types import FloatArray
from fruitcount.units import format_length, format_weight

__all__ = ["cut_strokes", "fates_by_mark", "headline", "numbers", "show_result"]

_RULES = {
    "spacing": "Spacing along the limb governs.",
    "wood": "What the wood may carry governs.",
    "tree share": "The tree's target governs.",
    "cap": "Your own limit governs.",
    "room": "Room governs: gaps and clusters leave space for no more.",
    "what is there": "There is no more fruit than may stay.",
    "not told": "The number to keep could not be told.",
}


def headline(result: Result) -> tuple[str, str]:
    """The line above the photo and the smaller one under it."""
    plan = result.decision.plan
    if plan.verdict == "thin":
        span = f"{plan.target.low:.0f} to {plan.target.high:.0f}"
        return (
            f"Keep {plan.keep_count} of {plan.crop_count}",
            f"Take off {plan.off_count}. Range {span}.",
        )
    if plan.crop_count == 0 and plan.verdict == "leave":
        return "No fruit marked", "Tap each fruit on the photo, or take a sharper photo."
    word = "Leave it" if plan.verdict == "leave" else "Cannot tell yet"
    return f"{word}: {plan.crop_count} fruit", plan.reason


def fates_by_mark(result: Result, sheet: rs.Sheet) -> dict[str, str]:
    """What becomes of each mark that is to stay or go."""
    fates = zip(sheet.marks, fruit_fates(result), strict=True)
    return {m.id: fate for m, fate in fates if fate in ("keep", "pinch", "cut")}


def cut_strokes(result: Result) -> list[tuple[float, float, float, float]]:
    """A stroke across the wood for each cut, in photo pixels."""
    limb, strokes = result.seen.limb, []
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


def numbers(result: Result) -> dict[str, Any]:
    """The few numbers that lists of photos show."""
    plan = result.decision.plan
    return {
        "verdict": plan.verdict,
        "crop_count": plan.crop_count,
        "keep_count": plan.keep_count,
        "off_count": plan.off_count,
        "yellowing_count": plan.yellowing_count,
        "doubt_frac": _doubt(result),
        "work_seconds": plan.work_seconds,
        "base_diameter_mm": result.seen.limb.base_diameter_mm,
    }


def _doubt(result: Result) -> float:
    """Share of the marks on the limb that are doubtful; 1 for a photo without any."""
    fruit = result.seen.fruitlets
    here = fruit.on_limb != 0
    unsure = here & ~fruit.by_hand & (fruit.score < doubt_below(result.seen.source))
    return float(unsure.sum() / here.sum()) if here.any() else 1.0


def show_result(result: Result, units: str) -> None:
    """The answer beside the photo, most important first."""
    plan, load = result.decision.plan, result.decision.load
    told = plan.verdict != "cannot tell"
    with st.container(horizontal=True, gap="large"):
        st.metric("Keep", plan.keep_count if told else "?", width="content")
        st.metric("Take off", plan.off_count if told else "?", width="content")
        minutes = max(1, round(plan.work_seconds / 60)) if plan.off_count else 0
        st.metric("Work, min", minutes, width="content")
    st.markdown(LEGEND)
    st.write(f"**{plan.reason}** {_RULES.get(plan.rule, '')}")
    st.markdown("\n".join(f"- {line}" for line in (*cut_lines(plan, units), *plan.notes)))
    _show_load(load, units)
    doubts = flag_sentences(result.decision.flags)
    if doubts:
        st.warning("  \n".join(doubts), icon=":material/visibility:")
    with st.expander("What was counted, and where each number comes from"):
        st.write(f"{count_line(result.seen, units)}.")
        st.write(f"{scale_line(result.seen, units)}.")
        for reason in plan.explanation:
            st.markdown(
                f"**{reason.number}: {_number(reason.value)}.** {reason.rule} "
                f"Given: {reason.given}. Source: {reason.source}."
            )
    st.info("  \n".join(CAUTIONS), icon=":material/health_and_safety:")


def _number(value: float) -> str:
    return (
        "not told" if not math.isfinite(value) else f"{value:g}" if value < 100 else f"{value:.0f}"
    )


def _show_load(load: LoadReport | None, units: str) -> None:
    st.markdown("**Limb load at harvest**")
    if load is None or not load.told:
        st.write("Not told: it needs a scale and the limb's thickness (type it by caliper).")
        return
    before, after = st.columns(2)
    for column, words, state in (
        (before, "If all stays", load.before),
        (after, "After thinning", load.after),
    ):
        factor = state.load_factor
        column.metric(words, format_weight(state.fruit_g, units))
        column.write(
            f"**{state.verdict.capitalize()}**. Breaks at about {factor.middle:.1f} times "
            f"this load ({factor.low:.1f} to {factor.high:.1f}), by the estimate."
        )
    where = format_length(load.after.worst_at_mm, units)
    st.write(f"Hardest worked {where} from the base.")
    if load.prop is not None:
        st.write(f"A prop helps most {format_length(load.prop.at_mm, units)} from the base.")
