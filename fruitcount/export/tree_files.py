"""The whole-tree sheet, and its answer in words."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

from fruitcount.batch import TreeAnswer, TreeFacts, tree_answer
from fruitcount.errors import PhotoUnreadableError, RecordError
from fruitcount.export.files import output_stem
from fruitcount.export.picture import annotated_picture
from fruitcount.export.report_page import ReportSettings, number
from fruitcount.export.tree_source import TreeSource
from fruitcount.export.tree_work_sheet import (
    TreeJob,
    estimate_line,
    short_source,
    target_span,
    tree_work_sheet,
)
from fruitcount.image import read_photo
from fruitcount.image.opencv import cv2
from fruitcount.measurement_record import measurement_from_dict
from fruitcount.names import shown_name
from fruitcount.pipeline import Result, decide
from fruitcount.plan import GrowerInputs, Plan
from fruitcount.tree import Work, thinning_work
from fruitcount.types import Measurement
from fruitcount.units import KG_PER_LB, format_weight
from fruitcount.whole_files import written_whole

__all__ = [
    "TreeSource",
    "limb_inputs",
    "sheet_path",
    "tree_lines",
    "work_lines",
    "write_tree_sheet",
]


def write_tree_sheet(
    source: TreeSource,
    tree: str,
    path: str | Path,
    *,
    facts: TreeFacts,
    inputs: GrowerInputs | None = None,
    settings: ReportSettings | None = None,
) -> TreeAnswer:
    """Work one tree out and write its work sheet as PDF.

    Parameters
    ----------
    source : TreeSource
    tree : str
    path : str or Path
        Written; its folder is made.
    facts : TreeFacts
    inputs : GrowerInputs, optional
        For where to cut on each limb, default what ``facts`` say; its share is put in.
    settings : ReportSettings, optional
    """
    answer = tree_answer(source.rows, tree, facts)
    how = settings or ReportSettings(made_on=date.today())
    rows = {str(r["file"]): r for r in source.rows if str(r.get("tree") or "") == tree}
    plans: dict[str, Plan] = {}
    pictures: dict[str, bytes] = {}
    for limb in answer.sheet.limbs:
        told = replace(inputs or limb_inputs(facts), limb_target=limb.keep_n / answer.true_per_seen)
        for file in answer.files.get(limb.name, ())[:1]:
            plan, picture = _of_photo(source, rows[file], told, how.units)
            plans |= {limb.name: plan} if plan is not None else {}
            pictures |= {limb.name: picture} if picture else {}
    answer = _as_planned(answer, plans, facts)
    target = Path(path)
    job = TreeJob(
        tree or "(no name)", answer.sheet, plans, pictures, answer.surer, answer.size_class,
        remarks=answer.notes,
    )  # fmt: skip
    with written_whole(target.parent) as draft:
        tree_work_sheet(job, draft / target.name, settings=how)
    return answer


def _as_planned(answer: TreeAnswer, plans: Mapping[str, Plan], facts: TreeFacts) -> TreeAnswer:
    """Where spacing or the wood allows fewer than the share, the lower number stands."""
    limbs, lowered = [], []
    for limb in answer.sheet.limbs:
        plan = plans.get(limb.name)
        keep = limb.keep_n
        if plan is not None and plan.verdict != "cannot tell":
            keep = min(keep, round(plan.keep_count * answer.true_per_seen))
        if keep < limb.keep_n:
            lowered.append(limb.name)
        work = thinning_work(
            limb.whole_n, keep, pace_n_per_min=facts.pace_n_per_min, fruit_g=answer.fruit_g
        )
        limbs.append(replace(limb, keep_n=keep, work=work))
    notes = list(answer.notes)
    if lowered:
        notes.append(
            f"On limb {', '.join(lowered)} the spacing or the wood allows fewer than the share of "
            "the target: the lower number stands."
        )
    if plans and answer.true_per_seen != 1:
        notes.append("Cuts and pinches are of the fruit seen on the photo; Now, Keep and Off "
                     "include those hidden.")  # fmt: skip
    whole = Work(
        sum(x.work.off_n for x in limbs),
        sum(x.work.minutes for x in limbs),
        sum(x.work.harvest_kg for x in limbs),
    )
    keep_n = sum(x.keep_n for x in limbs)
    sheet = replace(answer.sheet, limbs=tuple(limbs), keep_n=keep_n, work=whole)
    return replace(answer, sheet=sheet, notes=tuple(notes))


def _of_photo(
    source: TreeSource, row: Mapping[str, Any], told: GrowerInputs, units: str
) -> tuple[Plan | None, bytes]:
    """The limb's plan with its share, and its marked picture, where they can be had."""
    measurement, drawn = row.get("seen"), (b"", -1)
    if source.folder is not None:
        measurement, drawn = _beside(source.folder, Path(str(row["file"])))
    if measurement is None:
        return None, b""
    result = Result(measurement, decide(measurement, told))
    plan = result.decision.plan
    photo = row.get("photo")
    if source.photos is not None:
        photo = source.photos / str(row["file"])
    if photo is not None and Path(photo).is_file():
        return plan, _picture(Path(photo), result, units)
    # an older picture is shown only where it says the same
    return plan, drawn[0] if drawn[1] == plan.keep_count else b""


def _picture(photo: Path, result: Result, units: str) -> bytes:
    try:
        read = read_photo(photo)
    except PhotoUnreadableError:
        return b""  # the count stands; a file that was damaged since has no picture
    # six to a page the words could not be read, and the sheet itself says what to do
    rgb = annotated_picture(read, result, units=units, long_side_px=1200, words=False)
    done, data = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR))
    return bytes(data) if done else b""


def _beside(folder: Path, photo: Path) -> tuple[Measurement | None, tuple[bytes, int]]:
    """What was seen on a photo, its picture and how many that says to keep."""
    stem = folder / photo.parent / output_stem(photo)
    record, marked = stem.with_name(f"{stem.name}.json"), stem.with_name(f"{stem.name}_plan.jpg")
    if not record.is_file():
        return None, (b"", -1)
    try:
        body = json.loads(record.read_text(encoding="utf-8"))
        picture = marked.read_bytes() if marked.is_file() else b""
        return measurement_from_dict(body["seen"]), (picture, int(body["plan"]["keep_count"]))
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        raise RecordError(f"{record}: is not a record of a counted limb") from error


def limb_inputs(facts: TreeFacts) -> GrowerInputs:
    """What the keeper says of the tree, for the plan of each limb."""
    return GrowerInputs(
        facts.species,
        ripening_month=facts.ripening_month,
        southern=facts.southern,
        spacing_mm=facts.spacing_mm,
        harvest_diameter_mm=facts.harvest_diameter_mm,
    )


def sheet_path(folder: Path, tree: str) -> Path:
    """Where a tree's sheet goes: its name, with what a file name cannot hold taken out."""
    name = re.sub(r"[^\w-]+", "-", tree).strip("-") or "tree"
    return folder / f"{name}_sheet.pdf"


def work_lines(answer: TreeAnswer, units: str = "metric") -> list[str]:
    """What there will be to pick, with its size class, and the work where the pace is told."""
    work = answer.sheet.work
    harvest = format_weight(work.harvest_kg * 1000, units)
    oz = answer.fruit_g / 1000 / KG_PER_LB * 16
    fruit = f"{answer.fruit_g:.0f} g" if units == "metric" else f"{oz:.1f} oz"
    size = f", size class {answer.size_class}" if answer.size_class else ""
    out = [f"Harvest expected: about {harvest}, {fruit} a fruit{size}"]
    if math.isfinite(work.minutes):
        minutes = number(max(work.minutes, 1.0))
        about = "under" if 0 < work.minutes < 0.5 else "about"
        unit = "minute" if minutes == "1" else "minutes"
        out.append(f"Work: {about} {minutes} {unit} at your pace")
    return out


def tree_lines(answer: TreeAnswer, units: str = "metric") -> list[str]:
    """The answer in words."""
    sheet, work = answer.sheet, answer.sheet.work
    target = sheet.target
    out = [
        f"Tree {answer.tree or '(no name)'}: keep {number(sheet.keep_n)}, take off about "
        f"{number(work.off_n)}",
        estimate_line(sheet.total),
        f"Target {target_span(target)} fruit ({short_source(target)})",
    ]
    for limb in sheet.limbs:
        counted = "" if limb.counted else " (not photographed)"
        out.append(
            f"  {limb.name}: {number(limb.whole_n)} now, keep {limb.keep_n}, off "
            f"{number(limb.work.off_n)}{counted}"
        )
    out += work_lines(answer, units)
    if answer.surer:
        out.append(answer.surer)
    out += [*answer.notes, *sheet.notes]
    return [shown_name(line, longest=2000) for line in out]
