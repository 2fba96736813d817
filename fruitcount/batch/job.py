"""A whole folder in one call: count, say whose each photo is, put limbs together."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fruitcount.batch.engines import BatchSettings
from fruitcount.batch.files import find_photos
from fruitcount.batch.group import LimbCount, group_limbs
from fruitcount.batch.ledger import Ledger
from fruitcount.batch.run import Progress, run_batch
from fruitcount.batch.whose import Naming
from fruitcount.batch.worker import Work
from fruitcount.cells import safe_cell
from fruitcount.checks import finite
from fruitcount.errors import BadInputError
from fruitcount.names import shown_name
from fruitcount.season.orchard import BeforeAfter, before_after
from fruitcount.whole_files import written_whole

__all__ = [
    "FolderCount",
    "compare_moments",
    "count_folder",
    "read_rows",
    "write_rows",
]

_COLUMNS = (
    "file", "tree", "limb", "side", "moment", "told_by", "ok", "problem", "count_n", "keep_n",
    "yellowing_n", "median_size_mm", "base_diameter_mm", "length_mm", "card_id", "taken_at",
    "flags", "same_as", "sha256", "look",
)  # fmt: skip
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
    work: Work,
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
        Usually ``functools.partial(fruitcount.batch.photo_row.count_photo, settings=..., ...)``.
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
    """Write rows as CSV (UTF-8), one line a photo; unknown numbers are empty.

    A file name that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    target = Path(path)
    with (
        written_whole(target.parent) as draft,
        (draft / target.name).open("w", newline="", encoding="utf-8") as stream,
    ):
        writer = csv.writer(stream)
        writer.writerow(_COLUMNS)
        for row in rows:
            writer.writerow([_cell(row.get(column)) for column in _COLUMNS])
    return target


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


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return " ".join(str(v) for v in value)
    if not isinstance(value, str):
        return str(value)
    name = shown_name(value)
    # an apostrophe of its own is doubled, so that reading takes off the one put there
    return f"'{name}" if name.startswith("'") else str(safe_cell(name))
