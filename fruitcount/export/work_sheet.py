"""Work sheets for the person with the clippers: one page a limb, one a tree."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import Any

from reportlab.lib import colors
from reportlab.platypus import Image, KeepInFrame, PageBreak, Spacer, Table, TableStyle

from fruitcount.export.limb_diagram import limb_diagram_pdf
from fruitcount.export.report_page import (
    ReportSettings,
    build_pdf,
    cautions,
    heading,
    number,
    text,
    text_table,
    tick_box,
    usable_pt,
)
from fruitcount.export.words import answer_line, count_line, load_lines
from fruitcount.flags import flag_sentences
from fruitcount.pipeline import Result
from fruitcount.plan import Plan
from fruitcount.tree import Estimate, TreeSheet, TreeTarget
from fruitcount.units import KG_PER_LB, format_length

__all__ = [
    "LimbJob",
    "TreeJob",
    "estimate_line",
    "limb_work_sheet",
    "short_source",
    "tree_work_sheet",
]


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
    seen, decision = job.result.seen, job.result.decision
    left_width, gap = 205.0, 12.0
    name = " - ".join(part for part in (job.tree, job.limb) if part) or seen.name
    top = [
        text(name, 15, bold=True),
        text(f"{seen.name}, pass {decision.plan.pass_number}", 9),
        Spacer(1, 4),
        text(answer_line(decision), 17, bold=True),
        Spacer(1, 8),
    ]
    end = cautions(7.5)
    used = _height(top, width) + _height(end, width)
    body_height = height - used - 12
    left = KeepInFrame(left_width, body_height, _limb_steps(job, how), mode="shrink")
    drawing = limb_diagram_pdf(
        seen.fruitlets,
        seen.limb,
        decision.plan,
        decision.load,
        system=how.units,
        fit_pt=(width - left_width - gap, body_height),
    )
    body = Table([[left, drawing]], colWidths=[left_width + gap, width - left_width - gap])
    body.setStyle(TableStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), *_no_padding()]))
    return build_pdf([*top, body, *end], path, title=f"Limb sheet: {name}", settings=how)


def _no_padding() -> list[tuple[Any, ...]]:
    sides = ("LEFT", "RIGHT", "TOP", "BOTTOM")
    return [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in sides]


def _height(parts: list[Any], width: float) -> float:
    return float(sum(p.wrap(width, 10_000)[1] for p in parts))


def _limb_steps(job: LimbJob, how: ReportSettings) -> list[Any]:
    seen, decision = job.result.seen, job.result.decision
    plan = decision.plan
    out: list[Any] = [text(count_line(seen, how.units), 9.5), *heading("Do this", 12)]
    for step in _steps(plan, how.units):
        out += [text(step, 11.5), Spacer(1, 5)]
    if job.note:
        out += [*heading("Note", 11), text(job.note, 9.5)]
    out += heading("Load", 11)
    out += [text(line, 8.5) for line in load_lines(decision.load, how.units)]
    remarks = [*plan.notes, *flag_sentences(decision.flags)]
    if remarks:
        out += heading("Mind", 11)
        out += [text(f"- {line}", 8.5) for line in remarks]
    out += heading("Done", 11)
    for label in ("taken off", "left on", "minutes", "by, date"):
        out += [_blank_line(label), Spacer(1, 3)]
    return out


def _steps(plan: Plan, units: str) -> list[str]:
    if plan.verdict != "thin":
        return [plan.reason]
    steps = []
    for cut in plan.cuts:
        where = "Cut the limb" if cut.shoot < 0 else f"Cut side shoot {cut.shoot + 1}"
        at = format_length(cut.from_base_mm, units)
        place = "at the mark" if at == "not told" else f"at {at} from the base"
        steps.append(f"{where} {place}: {len(cut.fruit)} fruit go with it.")
    if plan.pinches:
        steps.append(f"Pinch off {len(plan.pinches)} by hand, marked with a cross.")
    steps.append(f"{plan.keep_count} stay.")
    return [f"{i}. {step}" for i, step in enumerate(steps, start=1)]


def _blank_line(label: str) -> Table:
    table = Table([[text(label, 9), ""]], colWidths=[60, 135], rowHeights=[16])
    table.setStyle(TableStyle([("LINEBELOW", (1, 0), (1, 0), 0.6, colors.black), *_no_padding()]))
    return table


def estimate_line(estimate: Estimate) -> str:
    """The estimate with its interval in one sentence."""
    unit = "paths" if "branch" in estimate.method else "limbs"
    if not estimate.told:
        return (
            f"About {number(estimate.value_n)} fruit on the tree; how sure cannot be told from "
            f"{estimate.sampled_n}: photograph another limb."
        )
    if estimate.low_n == estimate.high_n:
        # every limb was photographed: nothing is estimated but what the photos do not show
        return f"{number(estimate.value_n)} fruit counted on all {estimate.sampled_n} {unit}."
    return (
        f"About {number(estimate.value_n)} fruit on the tree, {estimate.level_frac:.0%} interval "
        f"{number(estimate.low_n)} to {number(estimate.high_n)}, from {estimate.sampled_n} "
        f"{unit} ({estimate.method})."
    )


def short_source(target: TreeTarget) -> str:
    """Where the target comes from, without remarks on how it was read."""
    return target.source.split(";")[0].strip()


def _kg(value_kg: float, units: str) -> str:
    told = value_kg if units == "metric" else value_kg / KG_PER_LB
    return number(told, 1)


@dataclass(frozen=True, eq=False)
class TreeJob:
    """One tree to be worked on.

    Attributes
    ----------
    tree : str
        Its name.
    sheet : TreeSheet
    plans : mapping
        Limb name to its plan, for where to cut and how many to pinch.
    pictures : mapping
        Limb name to its marked picture as JPEG or PNG bytes: six to a page behind the table.
    next_limbs : tuple of str
        Limbs to photograph next for a narrower interval.
    size_class : str
        Expected size class of the ripe fruit, where the species has any.
    note : str
        A word from the keeper.
    """

    tree: str
    sheet: TreeSheet
    plans: Mapping[str, Plan] = field(default_factory=dict)
    pictures: Mapping[str, bytes] = field(default_factory=dict)
    next_limbs: tuple[str, ...] = ()
    size_class: str = ""
    note: str = ""


def tree_work_sheet(
    job: TreeJob, path: str | Path, *, settings: ReportSettings | None = None
) -> Path:
    """Write one page for a tree: keep, cut at and pinch for each limb (more pages over 25 limbs).

    Parameters
    ----------
    job : TreeJob
    path : str or Path
    settings : ReportSettings, optional
    """
    sheet = job.sheet
    how = settings or ReportSettings()
    width, _ = usable_pt(how)
    target = sheet.target
    span = number(target.low_n)
    if round(target.low_n) != round(target.high_n):
        span += f" to {number(target.high_n)}"
    story: list[Any] = [
        text(f"Tree {job.tree}", 17, bold=True),
        Spacer(1, 4),
        text(f"Keep {number(sheet.keep_n)}, take off about {number(sheet.work.off_n)}", 17,
             bold=True),
        Spacer(1, 5),
        text(estimate_line(sheet.total), 10),
        text(f"Target {span} fruit ({short_source(target)}), shared by limb cross-section.", 10),
        *_harvest_lines(job, how),
        Spacer(1, 8),
        _limb_table(job, how, width),
        Spacer(1, 3),
        text("* not photographed: from the other limbs, by cross-section. Count it before you cut.",
             8),
    ]  # fmt: skip
    if job.next_limbs:
        story.append(text(f"For a surer count photograph next: {', '.join(job.next_limbs)}.", 9))
    if job.note:
        story += [Spacer(1, 4), text(job.note, 11)]
    story += [Spacer(1, 4), *(text(note, 9) for note in sheet.notes), *cautions(7.5)]
    if any(limb.name in job.pictures for limb in sheet.limbs):
        story += [PageBreak(), _picture_grid(job, how)]
    return build_pdf(story, path, title=f"Tree sheet: {job.tree}", settings=how)


def _harvest_lines(job: TreeJob, how: ReportSettings) -> list[Any]:
    parts = []
    if math.isfinite(job.sheet.work.harvest_kg):
        parts.append(
            f"about {_kg(job.sheet.work.harvest_kg, how.units)} "
            + ("kg" if how.units == "metric" else "lb")
        )
    if job.size_class:
        parts.append(f"size class {job.size_class}")
    return [text(f"Harvest expected: {', '.join(parts)}.", 10)] if parts else []


def _limb_table(job: TreeJob, how: ReportSettings, width: float) -> Table:
    sheet = job.sheet
    unit = "kg" if how.units == "metric" else "lb"
    head = ["Limb", "Now", "Keep", "Off", "Cut at", "Pinch", "Min", unit, "Done"]
    shares = (0.15, 0.09, 0.09, 0.09, 0.23, 0.11, 0.07, 0.08, 0.09)
    rows = []
    for limb in sheet.limbs:
        plan = job.plans.get(limb.name)
        rows.append(
            [
                limb.name + ("" if limb.counted else " *"),
                number(limb.have_n),
                number(limb.keep_n),
                number(limb.work.off_n),
                _cuts(plan, how.units),
                number(len(plan.pinches)) if plan else "-",
                _minutes(limb.work.minutes),
                _kg(limb.work.harvest_kg, how.units),
                tick_box(),
            ]
        )
    total = sum(limb.have_n for limb in sheet.limbs)
    work = sheet.work
    rows.append(
        ["All", number(total), number(sheet.keep_n), number(work.off_n), "", "",
         _minutes(work.minutes), _kg(work.harvest_kg, how.units), ""]
    )  # fmt: skip
    size = 11.5 if len(rows) <= 14 else 10 if len(rows) <= 20 else 8.5
    return text_table(
        head, rows, widths=[s * width for s in shares], left=(0, 4), size=size, strong_last=True
    )


def _minutes(value: float) -> str:
    return number(value, 1 if value < 9.95 else 0)


def _picture_grid(job: TreeJob, how: ReportSettings) -> Table:
    width, height = usable_pt(how)
    cell_width, cell_height = width / 2, (height - 6) / 3
    cells: list[list[Any]] = []
    for limb in job.sheet.limbs:
        if limb.name not in job.pictures:
            continue
        plan = job.plans.get(limb.name)
        words = f"{limb.name}: keep {limb.keep_n}"
        if plan is not None:
            words += f", cut at {_cuts(plan, how.units)}, pinch {len(plan.pinches)}"
        image = Image(BytesIO(job.pictures[limb.name]))
        zoom = min((cell_width - 12) / image.imageWidth, (cell_height - 46) / image.imageHeight)
        image.drawWidth, image.drawHeight = image.imageWidth * zoom, image.imageHeight * zoom
        image.hAlign = "LEFT"
        cells.append([text(words, 10, bold=True), Spacer(1, 3), image])
    rows = [
        [*cells[i : i + 2], *[""] * (2 - len(cells[i : i + 2]))] for i in range(0, len(cells), 2)
    ]
    table = Table(rows, colWidths=[cell_width] * 2, rowHeights=[cell_height] * len(rows))
    table.setStyle(TableStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), *_no_padding()]))
    return table


def _cuts(plan: Plan | None, units: str) -> str:
    if plan is None:
        return "-"
    places = []
    for cut in plan.cuts:
        at = format_length(cut.from_base_mm, units)
        shoot = f" (shoot {cut.shoot + 1})" if cut.shoot >= 0 else ""
        places.append(("mark" if at == "not told" else at) + shoot)
    return ", ".join(places) or "no cut"
