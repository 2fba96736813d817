"""The whole-tree sheet from a table of counted photos or from the records."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from fruitcount.batch import LimbSize, TreeAnswer, TreeFacts, read_rows, tree_answer
from fruitcount.errors import BadInputError, RecordError
from fruitcount.export.files import output_stem
from fruitcount.export.report_page import ReportSettings, number
from fruitcount.export.work_sheet import TreeJob, estimate_line, tree_work_sheet
from fruitcount.pipeline import decide
from fruitcount.plan import GrowerInputs, Plan
from fruitcount.seen_record import seen_from_dict
from fruitcount.store import (
    Store,
    list_photos,
    load_hand_counts,
    load_limbs,
    load_sheet,
    load_trees,
    photo_file,
    tree_id_of,
)
from fruitcount.units import format_weight

__all__ = [
    "TreeSource",
    "records_source",
    "sheet_path",
    "table_source",
    "tree_lines",
    "tree_names",
    "tree_of",
    "write_tree_sheet",
]


@dataclass(frozen=True)
class TreeSource:
    """Counted photos and what is known of their trees.

    Attributes
    ----------
    rows : tuple of dict
        One a photo; see :func:`fruitcount.batch.photo_row.result_row`.
    facts : mapping
        Tree name to what the records know of it; empty for a table.
    folder : Path or None
        Where pictures and JSON records of the photos lie, for where to cut.
    """

    rows: tuple[dict[str, Any], ...]
    facts: Mapping[str, TreeFacts]
    folder: Path | None = None


def table_source(table: str | Path) -> TreeSource:
    """Read ``photos.csv`` of ``fruitcount folder``, or the folder that it is in.

    Parameters
    ----------
    table : str or Path
        Pictures and records beside it (``--pictures``) are put on the sheet.
    """
    path = Path(table)
    path = path / "photos.csv" if path.is_dir() else path
    return TreeSource(tuple(read_rows(path)), {}, path.parent)


def records_source(store: Store, *, year: int) -> TreeSource:
    """All trees of the records with their photos' last counts, corrections included."""
    rows: list[dict[str, Any]] = []
    facts = {}
    for tree in load_trees(store, year=year):
        tree_id = tree_id_of(store, tree.name)
        if tree_id is None:
            continue
        limbs = {limb.limb_id: limb for limb in load_limbs(store, tree_id)}
        nan = float("nan")
        sizes = {
            limb.name: LimbSize(
                nan if limb.base_diameter_mm is None else limb.base_diameter_mm,
                nan if limb.length_mm is None else limb.length_mm,
            )
            for limb in limbs.values()
        }
        counts = [c for c in load_hand_counts(store, year=year) if c.tree_id in (None, tree_id)]
        facts[tree.name] = TreeFacts(
            species=tree.species or "peach",
            ripening_month=tree.ripening_month,
            southern=tree.southern,
            age_years=max(year - tree.planted_year, 2) if tree.planted_year else None,
            trunk_circumference_mm=tree.trunk_circumference_mm if tree.planted_year else None,
            limb_sizes=sizes,
            seen_true=tuple((c.seen_n, c.true_n) for c in counts),
        )
        for photo in list_photos(store, tree_id=tree_id):
            limb = limbs.get(photo["limb_id"])
            rows.append(_record_row(store, photo, tree.name, limb.name if limb else ""))
    return TreeSource(tuple(rows), facts)


def _record_row(store: Store, photo: dict[str, Any], tree: str, limb: str) -> dict[str, Any]:
    sheet = load_sheet(store, photo["photo_id"])
    told = sheet.decision or {}
    seen = sheet.seen
    length = seen.limb.length_mm if seen is not None else float("nan")
    typed = (sheet.inputs or {}).get("base_diameter_mm")
    row = {
        "file": photo["file_name"] or photo["sha256"][:8],
        "tree": tree,
        "limb": limb,
        "side": photo["side"],
        "moment": photo["moment"],
        "ok": told.get("crop_count") is not None,
        "count_n": told.get("crop_count"),
        "base_diameter_mm": typed or told.get("base_diameter_mm"),
        "length_mm": length if length > 0 else None,
        "picture": photo_file(store, photo["photo_id"]),
    }
    if seen is not None and not sheet.edits:  # corrected marks are the screen's to plan with
        row["seen"] = seen
    return row


def tree_names(source: TreeSource) -> list[str]:
    """Trees that have photos, in the order they come."""
    return list(dict.fromkeys(str(r.get("tree") or "") for r in source.rows))


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
        For where to cut on each limb; its share of the target is put in.
    settings : ReportSettings, optional
    """
    answer = tree_answer(source.rows, tree, facts)
    how = settings or ReportSettings(made_on=date.today())
    rows = {str(r["file"]): r for r in source.rows if str(r.get("tree") or "") == tree}
    plans: dict[str, Plan] = {}
    pictures: dict[str, bytes] = {}
    for limb in answer.sheet.limbs:
        for file in answer.files.get(limb.name, ())[:1]:
            plan, picture = _of_photo(source, rows[file], limb.keep_n, inputs or GrowerInputs())
            plans |= {limb.name: plan} if plan is not None else {}
            pictures |= {limb.name: picture} if picture else {}
    target = Path(path)
    target.parent.mkdir(parents=True, exist_ok=True)
    job = TreeJob(
        tree or "(no name)", answer.sheet, plans, pictures, answer.next_limbs, answer.size_class,
        " ".join(answer.notes),
    )  # fmt: skip
    tree_work_sheet(job, target, settings=how)
    return answer


def _of_photo(
    source: TreeSource, row: Mapping[str, Any], share_n: int, inputs: GrowerInputs
) -> tuple[Plan | None, bytes]:
    """The limb's plan with its share, and its marked picture, where they can be had."""
    seen, picture = row.get("seen"), b""
    if source.folder is not None:
        photo = Path(str(row["file"]))
        stem = source.folder / photo.parent / output_stem(photo, source.folder)
        record, marked = stem.with_name(f"{stem.name}.json"), f"{stem.name}_plan.jpg"
        if stem.with_name(marked).is_file():
            picture = stem.with_name(marked).read_bytes()
        if record.is_file():
            try:
                seen = seen_from_dict(json.loads(record.read_text(encoding="utf-8"))["seen"])
            except (ValueError, KeyError, TypeError) as error:
                raise RecordError(f"{record}: is not a record of a counted limb") from error
    if seen is None:
        return None, picture
    return decide(seen, replace(inputs, limb_target=float(share_n))).plan, picture


def sheet_path(folder: Path, tree: str) -> Path:
    """Where a tree's sheet goes: its name, with what a file name cannot hold taken out."""
    name = re.sub(r"[^\w-]+", "-", tree).strip("-") or "tree"
    return folder / f"{name}_sheet.pdf"


def tree_lines(answer: TreeAnswer, units: str = "metric") -> list[str]:
    """The answer in words."""
    sheet, work = answer.sheet, answer.sheet.work
    target = sheet.target
    out = [
        f"Tree {answer.tree or '(no name)'}: keep {number(sheet.keep_n)}, take off about "
        f"{number(work.off_n)}",
        estimate_line(sheet.total),
        f"Target {number(target.low_n)} to {number(target.high_n)} fruit ({target.source})",
    ]
    for limb in sheet.limbs:
        counted = "" if limb.counted else " (not photographed)"
        out.append(
            f"  {limb.name}: {number(limb.have_n)} now, keep {limb.keep_n}, off "
            f"{number(limb.work.off_n)}{counted}"
        )
    harvest = format_weight(work.harvest_kg * 1000, units)
    size = f", size class {answer.size_class}" if answer.size_class else ""
    out.append(f"Harvest expected: about {harvest}, {answer.fruit_g:.0f} g a fruit{size}")
    if work.minutes == work.minutes:
        out.append(f"Work: about {number(work.minutes)} minutes at your pace")
    if answer.next_limbs:
        out.append(f"For a surer count photograph next: {', '.join(answer.next_limbs)}")
    return [*out, *answer.notes, *sheet.notes]


def tree_of(source: TreeSource, asked: str | None) -> str:
    """The tree asked for, or the only one there is.

    Raises
    ------
    BadInputError
        When there are several and none was named, or the named one has no photos.
    """
    names = tree_names(source)
    if asked is not None and asked in names:
        return asked
    if asked is None and len(names) == 1:
        return names[0]
    raise BadInputError(f"tree must be one of {names}, got {asked!r}")
