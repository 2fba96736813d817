"""Work sheet for the person with the clippers: one page a limb."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from reportlab.lib import colors
from reportlab.platypus import KeepInFrame, Spacer, Table, TableStyle

from fruitcount.export.limb_diagram import draw_limb
from fruitcount.export.report_page import (
    ReportSettings,
    build_pdf,
    heading,
    no_padding,
    sheet_settings,
    text,
    usable_pt,
)
from fruitcount.export.words import count_line, kind_words
from fruitcount.load.words import load_lines
from fruitcount.pipeline import Result
from fruitcount.plan.result import Plan
from fruitcount.plan.words import choice_lines, cut_lines


def write_sheet(result: Result, path: Path, units: str = "metric") -> None:
    """Write a result's work sheet on the paper that goes with the units."""
    limb_work_sheet(result, path, settings=sheet_settings(units))


def limb_work_sheet(
    result: Result, path: str | Path, *, settings: ReportSettings | None = None
) -> Path:
    """Write one page for one limb: what to do in order, the limb drawn, room to note what was done.

    Parameters
    ----------
    result : Result
    path : str or Path
    settings : ReportSettings, optional
    """
    how = settings or ReportSettings()
    width, height = usable_pt(how)
    measurement, decision = result.measurement, result.decision
    left_width, gap = 205.0, 12.0
    top = [
        text(measurement.name, 15, bold=True),
        text(kind_words(decision), 9),
        Spacer(1, 4),
        text(decision.plan.answer, 17, bold=True),
        Spacer(1, 8),
    ]
    body_height = height - _height(top, width) - 12
    left = KeepInFrame(left_width, body_height, _limb_steps(result, how), mode="shrink")
    page = draw_limb(result, how.units, words=False)
    drawing = page.drawing((width - left_width - gap, body_height))
    body = Table([[left, drawing]], colWidths=[left_width + gap, width - left_width - gap])
    body.setStyle(TableStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), *no_padding()]))
    return build_pdf([*top, body], path, title=f"Limb sheet: {measurement.name}", settings=how)


def _height(parts: list[Any], width: float) -> float:
    return float(sum(p.wrap(width, 10_000)[1] for p in parts))


def _limb_steps(result: Result, how: ReportSettings) -> list[Any]:
    measurement, decision = result.measurement, result.decision
    plan = decision.plan
    out: list[Any] = [text(f"Check: {words}", 9.5, bold=True) for words in decision.warnings]
    out += [text(count_line(measurement, how.units), 9.5), *heading("Do this", 12)]
    for step in _steps(plan, how.units):
        out += [text(step, 11.5), Spacer(1, 5)]
    more = (plan.range_sentence, *choice_lines(decision.choices, how.units))
    out += [text(line, 8.5) for line in more if line]
    out += heading("Load", 11)
    out += [text(line, 8.5) for line in load_lines(decision.load, how.units)]
    if decision.notes:
        out += heading("Notes", 11)
        out += [text(f"- {line}", 8.5) for line in decision.notes]
    out += heading("Done", 11)
    for label in ("taken off", "left on", "minutes", "by, date"):
        out += [_blank_line(label), Spacer(1, 3)]
    return out


def _steps(plan: Plan, units: str) -> list[str]:
    if plan.verdict == "cannot tell" and plan.pinches:
        count = len(plan.pinches)
        return [f"A proposal: pinch off {count} by hand, marked with a cross. Look before you do."]
    if not plan.off_count or not plan.number_known:
        return [plan.reason]
    return [*cut_lines(plan, units), f"Leave {plan.keep_count}."]


def _blank_line(label: str) -> Table:
    table = Table([[text(label, 9), ""]], colWidths=[60, 135], rowHeights=[16])
    table.setStyle(TableStyle([("LINEBELOW", (1, 0), (1, 0), 0.6, colors.black), *no_padding()]))
    return table
