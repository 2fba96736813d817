"""Work sheet for the person with the clippers: one page a limb."""

from __future__ import annotations

from dataclasses import dataclass
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
    text,
    usable_pt,
)
from fruitcount.export.words import count_line, kind_words
from fruitcount.load.words import load_lines
from fruitcount.pipeline import Result
from fruitcount.plan.result import Plan
from fruitcount.plan.words import choice_lines, cut_lines


@dataclass(frozen=True, eq=False)
class LimbJob:
    """One limb to be worked on.

    Attributes
    ----------
    tree, limb : str
    result : Result
    note : str
        A word from the keeper.
    """

    tree: str
    limb: str
    result: Result
    note: str = ""


def limb_work_sheet(
    job: LimbJob, path: str | Path, *, settings: ReportSettings | None = None
) -> Path:
    """Write one page for one limb: what to do in order, the limb drawn, room to note what was done.

    Parameters
    ----------
    job : LimbJob
    path : str or Path
    settings : ReportSettings, optional
    """
    how = settings or ReportSettings()
    width, height = usable_pt(how)
    measurement, decision = job.result.measurement, job.result.decision
    left_width, gap = 205.0, 12.0
    name = " - ".join(part for part in (job.tree, job.limb) if part) or measurement.name
    top = [
        text(name, 15, bold=True),
        text(_what(job, name), 9),
        Spacer(1, 4),
        text(decision.plan.answer, 17, bold=True),
        Spacer(1, 8),
    ]
    body_height = height - _height(top, width) - 12
    left = KeepInFrame(left_width, body_height, _limb_steps(job, how), mode="shrink")
    page = draw_limb(
        measurement.fruitlets, measurement.limb, decision.plan, decision.load, system=how.units
    )
    drawing = page.drawing((width - left_width - gap, body_height))
    body = Table([[left, drawing]], colWidths=[left_width + gap, width - left_width - gap])
    body.setStyle(TableStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), *no_padding()]))
    return build_pdf([*top, body], path, title=f"Limb sheet: {name}", settings=how)


def _what(job: LimbJob, title: str) -> str:
    """Species and pass, after the photo's name where the title is another."""
    told, photo = kind_words(job.result.decision), job.result.measurement.name
    return told if photo in ("", title) else f"{photo}: {told}"


def _height(parts: list[Any], width: float) -> float:
    return float(sum(p.wrap(width, 10_000)[1] for p in parts))


def _limb_steps(job: LimbJob, how: ReportSettings) -> list[Any]:
    measurement, decision = job.result.measurement, job.result.decision
    plan = decision.plan
    out: list[Any] = [text(f"Check: {words}", 9.5, bold=True) for words in decision.warnings]
    out += [text(count_line(measurement, how.units), 9.5), *heading("Do this", 12)]
    for step in _steps(plan, how.units):
        out += [text(step, 11.5), Spacer(1, 5)]
    if job.note:
        out += [*heading("Note", 11), text(job.note, 9.5)]
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
