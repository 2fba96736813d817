"""Work sheet of a whole tree: one line a limb, the limbs' pictures behind."""

from __future__ import annotations

import math
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import Any

from reportlab.platypus import Image, PageBreak, Spacer, Table, TableStyle

from fruitcount.export.report_page import (
    TICK_BOX,
    ReportSettings,
    build_pdf,
    no_padding,
    number,
    text,
    text_table,
    usable_pt,
)
from fruitcount.files import shown_name
from fruitcount.flags import cut_tool
from fruitcount.plan.result import Plan
from fruitcount.plan.words import choice_lines
from fruitcount.tree.count import TreeCount
from fruitcount.tree.estimate import FEW_COUNTED, Estimate
from fruitcount.tree.plan import TreePlan
from fruitcount.tree.sheet import Work
from fruitcount.tree.target import TreeTarget
from fruitcount.units import format_in, format_length

HIDDEN = (
    "The photos do not show every fruit. Count three of these limbs by hand as well, type both "
    "numbers, and you get the number on the whole tree."
)
BY_LOT = (
    "This holds for limbs drawn by lot; from limbs picked because they are easy to reach it can "
    "be a fifth too low or too high."
)
NOT_SEEN = "Keep is its share by wood at most, load not checked. Count it before you cut."


def estimate_lines(count: TreeCount) -> list[str]:
    """The estimate, what is likely in sight where the photos tell that, and what they leave out."""
    likely = count.likely
    lines = [estimate_line(count.total)]
    if likely is not None:
        span = f"{number(likely.low_n)} to {number(likely.high_n)}"
        of = "on these limbs" if likely.all_limbs else "on all limbs"
        lines.append(
            f"Likely in sight {of}, with those that the count missed: about "
            f"{number(likely.value_n)} (95% interval {span}, kept wide to be safe). "
            "Fruit behind leaves and wood are not in it."
            if likely.known
            else f"Likely in sight {of}: about {number(likely.value_n)}."
        )
    if not count.total.hidden_too:
        lines.append(HIDDEN)
    return lines


def estimate_line(estimate: Estimate) -> str:
    """The estimate with its interval, what it covers and what it rests on."""
    by_walks = "branch" in estimate.method
    unit = "walk" if by_walks else "limb"
    unit += "" if estimate.sampled_n == 1 else "s"
    about = f"About {number(estimate.value_n)} {covers(estimate)}"
    if not estimate.known:
        next_one = "walk once more" if by_walks else "photograph another limb"
        return f"{about}; {estimate.sampled_n} {unit} cannot show how sure that is: {next_one}."
    if estimate.as_seen:
        return f"{number(estimate.value_n)} fruit seen on all {estimate.sampled_n} limbs."
    span = f"{number(estimate.low_n)} to {number(estimate.high_n)}"
    by_lot = "" if by_walks or estimate.all_limbs else f" {BY_LOT}"
    if by_lot and estimate.counted_n < FEW_COUNTED:
        few = f" Under {FEW_COUNTED} fruit were counted: the interval is kept wide to be safe."
        by_lot = few + by_lot
    rests = f"from {estimate.sampled_n} {unit}, {estimate.method}"
    return f"{about} (95% interval {span}; {rests}).{by_lot}"


def covers(estimate: Estimate) -> str:
    """What an estimate is of: fruit that hang there, or those that photos show."""
    if estimate.hidden_too:
        return "fruit on the tree"
    return "fruit seen" if estimate.all_limbs else "fruit that photos of all limbs would show"


def headline(plan: TreePlan) -> str:
    """What to keep and take off: where others were not seen, on the limbs photographed."""
    sheet = plan.sheet
    off, seen = f"take off about {number(sheet.work.off_n)}", sheet.counted
    words = f"keep {number(sheet.keep_n)}, {off}"
    if len(seen) < len(sheet.limbs):
        limbs = "limb" if len(seen) == 1 else f"{len(seen)} limbs"
        kept = number(sum(x.keep_n for x in seen))
        words = f"on the {limbs} photographed keep {kept}, {off}"
    return f"{words}: {plan.too_few}" if plan.too_few else words


def harvest_words(plan: TreePlan, units: str) -> str:
    """What there will be to pick after the second pass, with its size class."""
    sheet, all_seen = plan.sheet, len(plan.sheet.counted) == len(plan.sheet.limbs)
    where = "" if all_seen else " on the limbs photographed"
    fruit = f"{number(sheet.work.final_n)} fruit"
    fruit = f"at most {fruit} and" if not plan.work else f"about {fruit},"
    weight = format_in("crop", sheet.work.harvest_kg, units)
    one = format_in("fruit", sheet.fruit_g or math.nan, units)
    size = f", size class {plan.size_class}" if plan.size_class else ""
    return f"Harvest expected{where}, after a second pass: {fruit} {weight} ({one} a fruit{size})."


def target_line(target: TreeTarget) -> str:
    """The target and what it goes by; its source stands in :func:`source_lines`."""
    return f"Target for the whole tree: {target.span} fruit at harvest, {target.by}."


def source_lines(target: TreeTarget) -> list[str]:
    """Where a published target comes from, for those who ask."""
    return [f"The target's table: {target.source}."] if target.source else []


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def tree_work_sheet(
    plan: TreePlan,
    path: str | Path,
    *,
    pictures: Mapping[str, bytes] | None = None,
    settings: ReportSettings | None = None,
) -> Path:
    """Write one page for a tree: keep, cut at and pinch for each limb (more pages over 25 limbs).

    Parameters
    ----------
    plan : TreePlan
    path : str or Path
    pictures : mapping, optional
        Limb name to its marked picture as JPEG or PNG bytes: six to a page behind the table.
    settings : ReportSettings, optional
    """
    sheet, how = plan.sheet, settings or ReportSettings()
    width, _ = usable_pt(how)
    tree = shown_name(plan.tree or "(no name)", longest=80)
    words, _, more = headline(plan).partition(": ")
    story: list[Any] = [
        text(f"Tree {tree}", 17, bold=True),
        Spacer(1, 4),
        text(_capital(words), 17, bold=True),
        *([Spacer(1, 3), text(_capital(more), 12, bold=True)] if more else []),
        Spacer(1, 5),
        text(harvest_words(plan, how.units), 10),
        *(text(line, 10) for line in choice_lines(plan.choices, how.units)),
        text(target_line(sheet.target), 10),
        Spacer(1, 8),
        _limb_table(plan, how, width),
        Spacer(1, 3),
        text(" ".join(_table_notes(plan)), 8.5),
        Spacer(1, 5),
        *(text(line, 10) for line in estimate_lines(plan.count)),
    ]  # fmt: skip
    if plan.count.surer:
        story.append(text(plan.count.surer, 10))
    story += [Spacer(1, 4), *(text(f"- {note}", 8.5) for note in (*plan.notes, *sheet.notes))]
    shown = {x.name: (pictures or {})[x.name] for x in sheet.limbs if x.name in (pictures or {})}
    if shown:
        story += [PageBreak(), _picture_grid(plan, shown, how)]
    return build_pdf(story, path, title=f"Tree sheet: {tree}", settings=how)


def _table_notes(tree: TreePlan) -> list[str]:
    notes = []
    if any(plan.cuts for plan in _plans(tree).values()):
        notes.append("Cut at: from the base of the limb.")
    if math.isfinite(tree.sheet.work.minutes):
        notes.append("Minutes at your own pace.")
    notes.append("Harvest: fruit left after the second pass.")
    if not all(limb.counted for limb in tree.sheet.limbs):
        notes.append(f"* nobody has seen it: {NOT_SEEN} Off, minutes, harvest and the last line "
                     "are of the limbs photographed.")  # fmt: skip
    return notes


def _limb_table(tree: TreePlan, how: ReportSettings, width: float) -> Table:
    sheet, plans = tree.sheet, _plans(tree)
    head = ["Limb", "Now", "Keep", "Off", "Cut at", "Pinch", "Minutes", "Harvest", "Done"]
    shares = (0.15, 0.07, 0.085, 0.07, 0.23, 0.08, 0.115, 0.11, 0.09)
    rows: list[list[str]] = []
    for limb in sheet.limbs:
        plan, seen = plans.get(limb.name), limb.counted
        cut = "-" if seen else "not checked"
        if plan:
            cut = "\n".join(_cuts(plan, how.units)) or "no cut"
        rows.append(
            [limb.name if seen else f"{limb.name}\u00a0*",  # the star stays on the line
             number(limb.whole_n) if seen else "-",
             number(limb.keep_n) if seen else f"≤\u00a0{limb.keep_n}",
             *_work_cells(limb.work, cut, len(plan.pinches) if plan else None), TICK_BOX]
        )  # fmt: skip
        if limb.own_words:
            rows.append([f"Keep {limb.keep_words}"])
    cuts = sum(len(plan.cuts) for plan in plans.values())
    told = f"{cuts} cut{'' if cuts == 1 else 's'}" if plans else ""
    pinches = sum(len(plan.pinches) for plan in plans.values()) if plans else None
    rows.append(
        ["All" if len(sheet.counted) == len(sheet.limbs) else "Seen",
         *(number(sum(getattr(x, n) for x in sheet.counted)) for n in ("whole_n", "keep_n")),
         *_work_cells(sheet.work, told, pinches), ""]
    )  # fmt: skip
    size = 11.5 if len(rows) <= 14 else 10 if len(rows) <= 20 else 8.5
    return text_table(
        head, rows, widths=[s * width for s in shares], left=(0, 4), size=size, strong_last=True
    )


def _work_cells(work: Work, cut: str, pinches_n: int | None) -> list[str]:
    minutes = number(work.minutes, 1 if work.minutes < 9.95 else 0)
    return [number(work.off_n), cut, number(pinches_n), minutes, number(work.final_n)]


def _plans(tree: TreePlan) -> dict[str, Plan]:
    """Limb name to its plan, for where to cut and how many to pinch."""
    return {name: result.decision.plan for name, result in tree.results.items()}


def _picture_grid(tree: TreePlan, pictures: Mapping[str, bytes], how: ReportSettings) -> Table:
    width, height = usable_pt(how)
    cell_width, cell_height = width / 2, (height - 6) / 3
    cells: list[list[Any]] = []
    for limb in tree.sheet.limbs:
        if limb.name not in pictures:
            continue
        plan = _plans(tree).get(limb.name)
        words = f"{limb.name}: keep {limb.keep_n}"
        if plan is not None:
            cuts = ", ".join(_cuts(plan, how.units))
            words += f", cut at {cuts}" if cuts else ", no cut"
            words += f", pinch {len(plan.pinches)}"
        image = Image(BytesIO(pictures[limb.name]))
        zoom = min((cell_width - 12) / image.imageWidth, (cell_height - 46) / image.imageHeight)
        image.drawWidth, image.drawHeight = image.imageWidth * zoom, image.imageHeight * zoom
        image.hAlign = "LEFT"
        cells.append([text(words, 10, bold=True), Spacer(1, 3), image])
    rows = [
        [*cells[i : i + 2], *[""] * (2 - len(cells[i : i + 2]))] for i in range(0, len(cells), 2)
    ]
    table = Table(rows, colWidths=[cell_width] * 2, rowHeights=[cell_height] * len(rows))
    style = [
        *no_padding(),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("RIGHTPADDING", (0, 0), (-1, -1), 12),
    ]
    table.setStyle(TableStyle(style))
    return table


def _cuts(plan: Plan, units: str) -> list[str]:
    """Where to cut, one place each."""
    places = []
    for cut in plan.cuts:
        at = format_length(cut.from_base_mm, units)
        at = at if math.isfinite(cut.from_base_mm) else "mark"
        at = f"shoot {cut.shoot + 1} at {at}" if cut.shoot >= 0 else at
        places.append(f"{at}, {cut_tool(cut.diameter_mm)}")
    return places
