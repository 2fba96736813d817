"""A whole folder in one call: count, say whose each photo is, put limbs together."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fruitcount.errors import BadInputError, in_range, one_of
from fruitcount.files import number_in, sheet_lines, write_table
from fruitcount.results import ROW_COLUMNS
from fruitcount.tree.assignment import AssignmentRules
from fruitcount.tree.checkpoint import ProgressLog
from fruitcount.tree.count import TreeCount, tree_count
from fruitcount.tree.facts import TreeFacts
from fruitcount.tree.group import LimbCount, group_limbs
from fruitcount.tree.photos import find_photos
from fruitcount.tree.run import BatchSettings, PhotoWork, Progress, run_batch

_PLACE = ("file", "tree", "limb", "side", "moment", "told_by", "ok", "problem")
_COLUMNS = (*_PLACE, *(name for name in ROW_COLUMNS if name != "photo"), "same_as", "look")
_NUMBERS = (
    "count_n", "count_low_n", "count_high_n", "keep_n", "yellowing_n",
    "median_size_mm", "base_diameter_mm", "length_mm",
)  # fmt: skip


_WHERE = ("tree", "limb", "side", "moment")


@dataclass(frozen=True)
class FolderCount:
    """What a folder came to.

    Attributes
    ----------
    rows : tuple of dict
        One a photo, in order, with its place; ``file`` is relative to the folder.
    limbs : tuple of LimbCount
    progress : Progress
    not_there : tuple of str
        Photos that the sheet names, and the folder does not have.
    """

    rows: tuple[dict[str, Any], ...]
    limbs: tuple[LimbCount, ...]
    progress: Progress
    not_there: tuple[str, ...] = ()


def count_folder(
    folder: str | Path,
    work: PhotoWork,
    *,
    progress_log: ProgressLog,
    naming: AssignmentRules | None = None,
    settings: BatchSettings | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> FolderCount:
    """Count every photo below a folder and put the photos of each limb together.

    Parameters
    ----------
    folder : str or Path
    work : callable
        Usually ``functools.partial(fruitcount.tree.photos.count_photo, settings=..., ...)``.
    progress_log : ProgressLog
        Goes on where it stopped when called again.
    naming : AssignmentRules, optional
        Default: the card's code, else the first folder is the tree, the second the limb.
    settings : BatchSettings, optional
    progress : callable, optional

    Returns
    -------
    FolderCount
    """
    root, how = Path(folder), naming or AssignmentRules()
    result = run_batch(
        find_photos(root), work, progress_log=progress_log, settings=settings, progress=progress
    )
    rows = []
    for row in result.rows(progress_log):
        path = Path(row["file"])
        place, told_by = how.place(path, root, row)
        row |= {"file": path.relative_to(root).as_posix(), "clash": how.clash(path, root)}
        row |= {k: getattr(place, k) for k in _WHERE}
        row["told_by"] = told_by
        rows.append(row)
    _choose_originals(rows)
    there = {name for row in rows for name in (row["file"], Path(row["file"]).name)}
    lost = tuple(name for name in how.sheet if name not in there)
    return FolderCount(tuple(rows), tuple(group_limbs(rows)), result.progress, lost)


def _choose_originals(rows: Sequence[dict[str, Any]]) -> None:
    """Of files with the same bytes the best named one counts; the others are its copies.

    A copy that names no tree of its own, or by another source, lies where the original does.
    """
    same: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        if row.get("sha256"):
            same.setdefault(row["sha256"], []).append(row)
    for group in same.values():
        best = max(group, key=lambda row: [bool(row[k]) for k in _WHERE])
        for row in group:
            row["same_as"] = "" if row is best else best["file"]
            if not row["tree"] or row["told_by"] != best["told_by"]:
                row |= {k: best[k] for k in (*_WHERE, "told_by")}


def compare_moments(limbs: Iterable[LimbCount]) -> dict[tuple[str, str], tuple[float, float]]:
    """Fruit before and after thinning, for each (tree, limb) that has both."""
    seen: dict[tuple[str, str], dict[str, float]] = {}
    for limb in limbs:
        seen.setdefault((limb.tree, limb.limb), {})[limb.moment] = limb.count_n
    return {
        key: (counts["before"], counts["after"])
        for key, counts in seen.items()
        if counts.get("before", float("nan")) >= 0 and counts.get("after", float("nan")) >= 0
    }


def write_rows(rows: Iterable[Mapping[str, Any]], path: str | Path) -> Path:
    """Write rows as CSV (UTF-8), one line a photo; unknown numbers are empty."""
    return write_table(Path(path), rows, _COLUMNS)


def read_rows(path: str | Path) -> list[dict[str, Any]]:
    """Read what :func:`write_rows` wrote; a number that is empty there is None.

    Raises
    ------
    BadInputError
        When it is no such table.
    """
    out, seen = [], set()
    for where, line in sheet_lines(path, ("file", "tree", "limb", "ok", "count_n")):
        try:
            row = _row(line)
            if row["file"] in seen:
                raise ValueError(f"{row['file']} comes twice")
            seen.add(row["file"])
            out.append(row)
        except ValueError as error:
            raise BadInputError(f"{where}: {error}") from error
    return out


def _row(line: Mapping[str, str]) -> dict[str, Any]:
    row: dict[str, Any] = {name: line.get(name, "").removeprefix("'") for name in _COLUMNS}
    for name in _NUMBERS:
        row[name] = in_range(name, number_in(row[name]), 0, 1e6) if row.get(name) else None
    if (row["count_n"] or 0) % 1:  # as of 1,007 with a sign for thousands
        raise BadInputError(f"count_n must be a whole number, got {line['count_n']!r}")
    one_of("ok", row["ok"], ("yes", "no"))
    row["ok"] = row["ok"] == "yes"
    row["card_id"] = int(row["card_id"] or -1)
    if not re.fullmatch("([0-9a-f]{16}|[0-9a-f]{64})?", row["look"]):  # 16 in earlier versions
        raise ValueError("the end of the line is damaged or cut off")
    row["flags"] = row["flags"].split()
    return row


@dataclass(frozen=True)
class TreeEstimate:
    """A tree of the folder.

    Attributes
    ----------
    tree, moment : str
    count : TreeCount or None
        None when it cannot be told; ``why`` then says why.
    why : str
    """

    tree: str
    moment: str
    count: TreeCount | None
    why: str = ""


def estimate_trees(
    rows: Sequence[Mapping[str, Any]], *, limbs_n: int | None = None
) -> list[TreeEstimate]:
    """Estimate each tree as :func:`tree_count` does: before thinning, and apart from that after.

    Photos whose moment is not told stand with those before thinning. After thinning a total is
    told only where the same limbs were photographed: other limbs would make a change that is none.

    Parameters
    ----------
    rows : sequence of mapping
        As :func:`fruitcount.tree.group.group_limbs` takes them.
    limbs_n : int, optional
        Limbs on each tree, photographed or not.
    """
    out = []
    for tree in dict.fromkeys(str(r.get("tree") or "") for r in rows):
        mine = [r for r in rows if str(r.get("tree") or "") == tree]
        parts = [[r for r in mine if (r.get("moment") == "after") == late] for late in (0, 1)]
        limbs = [{x.limb for x in group_limbs(p) if math.isfinite(x.count_n)} for p in parts]
        for part, names in zip(parts, limbs, strict=True):
            if not names:
                continue
            moment = max(str(r.get("moment") or "") for r in part)
            if moment == "after" and limbs[0] not in (set(), names):
                out.append(TreeEstimate(tree, moment, None, "Other limbs than before thinning."))
                continue
            out.append(_estimate(part, tree, moment, limbs_n))
    return out


def _estimate(
    part: Sequence[Mapping[str, Any]], tree: str, moment: str, limbs_n: int | None
) -> TreeEstimate:
    if limbs_n is None:
        why = "Give the number of its limbs, photographed or not (--limbs)."
        return TreeEstimate(tree, moment, None, why)
    try:
        rows = [{**r, "moment": ""} for r in part]
        return TreeEstimate(tree, moment, tree_count(rows, tree, TreeFacts(limbs_n=limbs_n)))
    except BadInputError as error:
        return TreeEstimate(tree, moment, None, str(error))
