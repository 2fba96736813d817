"""A whole folder in one call: count, say whose each photo is, put limbs together."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fruitcount.cells import write_table
from fruitcount.checks import finite
from fruitcount.errors import BadInputError
from fruitcount.results import ROW_COLUMNS
from fruitcount.season.orchard import BeforeAfter, before_after
from fruitcount.tree.assignment import Naming
from fruitcount.tree.calibration import Factor, apply_factor
from fruitcount.tree.checkpoint import Ledger
from fruitcount.tree.engines import BatchSettings, PhotoWork
from fruitcount.tree.estimate import Estimate, csa_cm2, ratio_total, simple_total
from fruitcount.tree.group import LimbCount, group_limbs
from fruitcount.tree.photos import find_photos
from fruitcount.tree.run import Progress, run_batch

__all__ = [
    "FolderCount",
    "TreeEstimate",
    "compare_moments",
    "count_folder",
    "estimate_trees",
    "read_rows",
    "write_rows",
]

_PLACE = ("file", "tree", "limb", "side", "moment", "told_by", "ok", "problem")
_COLUMNS = (*_PLACE, *(name for name in ROW_COLUMNS if name != "photo"), "same_as", "look")
_NUMBERS = (
    "count_n", "keep_n", "yellowing_n", "median_size_mm", "base_diameter_mm", "length_mm",
)  # fmt: skip


@dataclass(frozen=True)
class FolderCount:
    """What a folder came to.

    Attributes
    ----------
    rows : tuple of dict
        One a photo, in order, with its place; ``file`` is relative to the folder.
    limbs : tuple of LimbCount
    progress : Progress
    """

    rows: tuple[dict[str, Any], ...]
    limbs: tuple[LimbCount, ...]
    progress: Progress


def count_folder(
    folder: str | Path,
    work: PhotoWork,
    *,
    ledger: Ledger,
    naming: Naming | None = None,
    settings: BatchSettings | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> FolderCount:
    """Count every photo below a folder and put the photos of each limb together.

    Parameters
    ----------
    folder : str or Path
    work : callable
        Usually ``functools.partial(fruitcount.tree.photo_row.count_photo, settings=..., ...)``.
    ledger : Ledger
        Goes on where it stopped when called again.
    naming : Naming, optional
        Default: the card's code, else the first folder is the tree, the second the limb.
    settings : BatchSettings, optional
    progress : callable, optional

    Returns
    -------
    FolderCount
    """
    root, how = Path(folder), naming or Naming()
    result = run_batch(find_photos(root), work, ledger=ledger, settings=settings, progress=progress)
    rows = []
    for row in result.rows(ledger):
        path = Path(row["file"])
        place, told_by = how.place(path, root, row)
        same = row["same_as"] and Path(row["same_as"]).relative_to(root).as_posix()
        row |= {"file": path.relative_to(root).as_posix(), "same_as": same}
        row |= {k: getattr(place, k) for k in ("tree", "limb", "side", "moment")}
        row["told_by"] = told_by
        rows.append(row)
    return FolderCount(tuple(rows), tuple(group_limbs(rows)), result.progress)


def compare_moments(limbs: Iterable[LimbCount]) -> dict[tuple[str, str], BeforeAfter]:
    """Before against after thinning, for each (tree, limb) that has both."""
    seen: dict[tuple[str, str], dict[str, float]] = {}
    for limb in limbs:
        seen.setdefault((limb.tree, limb.limb), {})[limb.moment] = limb.count_n
    return {
        key: before_after(counts["before"], counts["after"])
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
    out = []
    try:
        with Path(path).open(newline="", encoding="utf-8-sig") as stream:
            reader = csv.DictReader(stream)
            missing = {"file", "tree", "limb", "ok", "count_n"} - set(reader.fieldnames or ())
            if missing:
                raise BadInputError(f"{path}: the table needs a column {sorted(missing)}")
            for number, line in enumerate(reader, start=2):
                try:
                    out.append(_row(line))
                except ValueError as error:
                    raise BadInputError(f"{path}, line {number}: {error}") from error
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise BadInputError(f"{path}: the table cannot be read: {error}") from error
    return out


def _row(line: Mapping[str, Any]) -> dict[str, Any]:
    row: dict[str, Any] = {name: (line.get(name) or "").removeprefix("'") for name in _COLUMNS}
    for name in _NUMBERS:
        row[name] = finite(name, float(row[name])) if row[name] else None
    row["ok"] = row["ok"] == "yes"
    row["card_id"] = int(row["card_id"] or -1)
    int(row["look"] or "0", 16)  # a look that is no number is told here, with its line
    row["flags"] = row["flags"].split()
    return row


@dataclass(frozen=True)
class TreeEstimate:
    """A tree of the batch.

    Attributes
    ----------
    tree, moment : str
    limbs : tuple of LimbCount
        Those that could be counted.
    estimate : Estimate or None
        None when it cannot be told; ``why`` then says why.
    why : str
    """

    tree: str
    moment: str
    limbs: tuple[LimbCount, ...]
    estimate: Estimate | None
    why: str = ""


def estimate_trees(
    limbs: Sequence[LimbCount],
    *,
    all_diameters_mm: Mapping[str, Mapping[str, float]] | None = None,
    limbs_n: Mapping[str, int] | None = None,
    factor: Factor | None = None,
) -> list[TreeEstimate]:
    """Estimate each tree from its counted limbs: as it is after thinning, and else before.

    Limbs whose moment is not told stand with those photographed before thinning.

    Parameters
    ----------
    limbs : sequence of LimbCount
    all_diameters_mm : mapping, optional
        Tree to limb name to base diameter, for *every* limb of the tree: gives the ratio
        estimate. Names must include the photographed limbs.
    limbs_n : mapping, optional
        Tree to number of limbs: gives the plain estimate, where diameters are not known.
    factor : Factor, optional
        Measurement to true; carried through.
    """
    groups: dict[tuple[str, bool], dict[str, LimbCount]] = {}
    # a limb with photos of both kinds counts as "before"
    for limb in sorted(limbs, key=lambda x: x.moment != "before"):
        if math.isfinite(limb.count_n):
            key = (limb.tree, limb.moment == "after")
            groups.setdefault(key, {}).setdefault(limb.limb, limb)
    out = []
    order = dict.fromkeys((limb.tree, late) for late in (False, True) for limb in limbs)
    for tree, late in (key for key in order if key in groups):
        part = [x for x in limbs if groups[tree, late].get(x.limb) is x]
        moment = max(x.moment for x in part)
        diameters = (all_diameters_mm or {}).get(tree)
        number = (limbs_n or {}).get(tree)
        try:
            estimate, why = _estimate(part, diameters, number)
        except BadInputError as error:
            estimate, why = None, str(error)
        if estimate is not None and factor is not None:
            estimate = apply_factor(estimate, factor)
        out.append(TreeEstimate(tree, moment, tuple(part), estimate, why))
    return out


def _estimate(
    part: Sequence[LimbCount], diameters: Mapping[str, float] | None, number: int | None
) -> tuple[Estimate | None, str]:
    fruit = [limb.count_n for limb in part]
    if diameters:
        missing = [limb.limb for limb in part if limb.limb not in diameters]
        if missing:
            return None, f"no diameter is given for limb {missing[0]}"
        area = csa_cm2([diameters[limb.limb] for limb in part])
        whole = csa_cm2(list(diameters.values()))
        within = [limb.var_n2 for limb in part]
        return ratio_total(fruit, area, all_area_cm2=whole, limb_var=within), ""
    if number:
        return simple_total(fruit, limbs_n=number), ""
    return None, "give the diameters of all its limbs, or at least their number"
