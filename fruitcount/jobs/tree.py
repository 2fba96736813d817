"""One tree: from counted photos to its plan, its work sheet and the answer in words."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from fruitcount.errors import PhotoUnreadableError
from fruitcount.export.picture import annotated_picture, jpeg_bytes
from fruitcount.export.report_page import ReportSettings, number
from fruitcount.export.tree_work_sheet import (
    estimate_lines,
    harvest_words,
    headline,
    source_lines,
    target_line,
    tree_work_sheet,
)
from fruitcount.files import file_stem, shown_name, written_whole
from fruitcount.flags import CAUTIONS_SHORT
from fruitcount.image.photo import read_photo
from fruitcount.jobs.count import output_stem
from fruitcount.jobs.tree_source import TreeSource
from fruitcount.pipeline import Result
from fruitcount.plan.words import choice_lines
from fruitcount.tree.facts import TreeFacts
from fruitcount.tree.plan import TreePlan, plan_tree


def plan_of(source: TreeSource, tree: str, facts: TreeFacts) -> TreePlan:
    """One tree's plan from a table or from the records: see :func:`plan_tree`."""
    plan = plan_tree(source.rows, tree, facts, measured=source.measured, kept=source.answers)
    if source.answers is not None:
        source.answers.save()
    return plan


def write_tree_sheet(
    plan: TreePlan,
    path: str | Path,
    *,
    source: TreeSource | None = None,
    settings: ReportSettings | None = None,
) -> Path:
    """Write a tree's work sheet as PDF.

    Parameters
    ----------
    plan : TreePlan
    path : str or Path
        Written; its folder is made.
    source : TreeSource, optional
        Where each limb's marked picture comes from; without it the sheet has none.
    settings : ReportSettings, optional
    """
    how = settings or ReportSettings(made_on=date.today())
    pictures = {} if source is None else limb_pictures(plan, source, how.units)
    target = Path(path)
    with written_whole(target.parent) as draft:
        tree_work_sheet(plan, draft / target.name, pictures=pictures, settings=how)
    return target


def limb_pictures(plan: TreePlan, source: TreeSource, units: str) -> dict[str, bytes]:
    """Each planned limb's marked picture, where its photo or a picture that says the same is."""
    rows = {str(r["file"]): r for r in source.rows if str(r.get("tree") or "") == plan.tree}
    out = {}
    for name, result in plan.results.items():
        row = next(rows[f] for f in plan.count.files[name] if source.measured(rows[f]) is not None)
        photo = source.photo(row)
        data = _picture(photo, result, units) if photo else _drawn_before(source, row, result)
        if data:
            out[name] = data
    return out


def _picture(photo: Path, result: Result, units: str) -> bytes:
    try:
        read = read_photo(photo)
    except PhotoUnreadableError:
        return b""  # the count stands; a file that was damaged since has no picture
    # six to a page the words could not be read, and the sheet itself says what to do
    rgb = annotated_picture(read, result, units=units, long_side_px=1200, words=False)
    return jpeg_bytes(rgb)


def _drawn_before(source: TreeSource, row: Mapping[str, Any], result: Result) -> bytes:
    """The picture that the folder's run drew, only where it says the same."""
    if source.folder is None:
        return b""
    file = Path(str(row["file"]))
    stem = source.folder / file.parent / output_stem(file)
    marked = stem.with_name(f"{stem.name}_plan.jpg")
    try:
        body = json.loads(stem.with_name(f"{stem.name}.json").read_text(encoding="utf-8"))
        same = int(body["plan"]["keep_count"]) == result.decision.plan.keep_count
        return marked.read_bytes() if same else b""
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return b""


def sheet_path(folder: Path, tree: str) -> Path:
    """Where a tree's sheet goes: its name, with what a file name cannot hold taken out."""
    return folder / f"{file_stem(tree, 'tree')}_sheet.pdf"


def work_lines(answer: TreePlan, units: str = "metric") -> list[str]:
    """What there will be to pick, the plans side by side, and the work where the pace is told."""
    out = [harvest_words(answer, units), *choice_lines(answer.choices, units)]
    if math.isfinite(minutes := answer.sheet.work.minutes):
        words = number(max(minutes, 1.0))
        about = "under" if 0 < minutes < 0.5 else "about"
        out.append(f"Work: {about} {words} minute{'' if words == '1' else 's'} at your pace.")
    return out


def tree_lines(answer: TreePlan, units: str = "metric", *, why: bool = False) -> list[str]:
    """The answer in words; ``why`` adds where a published target comes from."""
    sheet = answer.sheet
    out = [
        f"Tree {answer.tree or '(no name)'}: {headline(answer)}",
        *work_lines(answer, units),
        *estimate_lines(answer.count),
        target_line(sheet.target),
    ]
    for limb in sheet.limbs:
        if limb.counted:
            off = number(limb.work.off_n)
            out.append(
                f"  {limb.name}: {number(limb.whole_n)} now, keep {limb.keep_words}, off {off}"
            )
        else:
            share = f"keep at most {limb.keep_n}, its share; load not checked"
            out.append(f"  {limb.name}: nobody has seen it; {share}")
    if answer.count.surer:
        out.append(answer.count.surer)
    out += [*answer.notes, *sheet.notes, *(source_lines(sheet.target) if why else [])]
    return [*(shown_name(line, longest=2000) for line in out), *CAUTIONS_SHORT]
