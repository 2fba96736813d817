"""A folder of photos to a table, tree totals and, if wanted, pictures."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from fruitcount.calibrate import Tuning, adjusted, tuning_record
from fruitcount.errors import BadInputError, FruitcountError, RecordError
from fruitcount.export.tree_work_sheet import HIDDEN, estimate_lines
from fruitcount.files import shown_name
from fruitcount.flags import SENTENCES, Flag
from fruitcount.image.photo import read_photo
from fruitcount.jobs.count import CountChoice, output_stem, write_result
from fruitcount.jobs.same_limb import write_joined
from fruitcount.pipeline import CountSettings, Result, decide
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.tree.assignment import AssignmentRules
from fruitcount.tree.checkpoint import LOG_NAME, ProgressLog, measurement_of
from fruitcount.tree.facts import TreeFacts
from fruitcount.tree.folder import (
    FolderCount,
    TreeEstimate,
    compare_moments,
    count_folder,
    estimate_trees,
    write_rows,
)
from fruitcount.tree.group import copies_of
from fruitcount.tree.photos import count_key, count_photo, settings_key
from fruitcount.tree.run import BatchSettings, Progress
from fruitcount.types import Measurement
from fruitcount.views import join_photos


@dataclass(frozen=True)
class FolderChoice:
    """How a folder is counted and what is written.

    Attributes
    ----------
    out : Path
        Folder for ``photos.csv``, the progress log that lets a stopped run go on, and pictures.
    settings : CountSettings
    inputs : GrowerInputs
    naming : AssignmentRules
        Whose each photo is.
    batch : BatchSettings
    limbs_n : int or None
        Limbs on each tree, photographed or not: turns counts into a tree total.
    pictures : bool
        Write an annotated picture and a record of each photo as well.
    units : {"metric", "us"}
    tuning : Tuning or None
        What corrections on the screen taught, to count with.
    """

    out: Path
    settings: CountSettings = field(default_factory=CountSettings)
    inputs: GrowerInputs = field(default_factory=GrowerInputs)
    naming: AssignmentRules = field(default_factory=AssignmentRules)
    batch: BatchSettings = field(default_factory=BatchSettings)
    limbs_n: int | None = None
    pictures: bool = False
    units: str = "metric"
    tuning: Tuning | None = None

    def __post_init__(self) -> None:
        TreeFacts(limbs_n=self.limbs_n)  # refuses what no tree has, before a photo is counted


@dataclass(frozen=True)
class FolderAnswer:
    """What a folder came to: rows, limbs, trees, the table written, words on joined photos."""

    count: FolderCount
    trees: tuple[TreeEstimate, ...]
    table: Path
    joined: tuple[str, ...] = ()


def count_folder_to_files(
    folder: Path, choice: FolderChoice, progress: Callable[[Progress], None] | None = None
) -> FolderAnswer:
    """Count every photo below a folder, estimate its trees, and write the table.

    Called again after a stop it goes on where it was; no photo is counted twice.

    Parameters
    ----------
    folder : Path
    choice : FolderChoice
    progress : callable, optional

    Raises
    ------
    BadInputError
        When the folder is not there or holds no photos.
    """
    if not folder.is_dir():
        raise BadInputError(f"folder must be there, got {str(folder)!r}")
    choice.out.mkdir(parents=True, exist_ok=True)
    settings, inputs = choice.settings, choice.inputs
    work = partial(count_photo, settings=settings, inputs=inputs, with_measurement=True)
    key = count_key(settings, inputs)
    if choice.tuning is not None:
        how = partial(adjusted, tuning=choice.tuning, settings=settings)
        work, key = partial(work, adjust=how), settings_key(key, tuning_record(choice.tuning))
    with closing(ProgressLog(choice.out / LOG_NAME, key)) as progress_log:
        count = count_folder(
            folder,
            work,
            progress_log=progress_log,
            naming=choice.naming,
            settings=choice.batch,
            progress=progress,
        )
    if not count.rows:
        raise BadInputError(f"folder must hold photos, found none in {str(folder)!r}")
    trees = tuple(estimate_trees(count.rows, limbs_n=choice.limbs_n))
    table = write_rows(count.rows, choice.out / "photos.csv")
    if choice.pictures:
        for row in count.rows:
            if row.get("ok"):
                _write_result(folder / row["file"], row, choice)
    joined = tuple(_join_limbs(folder, count.rows, choice)) if choice.pictures else ()
    return FolderAnswer(count, trees, table, joined)


def _write_result(path: Path, row: Mapping[str, Any], choice: FolderChoice) -> None:
    """Picture and record of a photo already counted."""
    measurement = measurement_of(choice.out, row)
    if measurement is None:
        raise RecordError(f"{choice.out}: the measurement of {row['file']} is gone: count it anew")
    result = Result(measurement, decide(measurement, choice.inputs))
    place = CountChoice(choice.out / Path(row["file"]).parent, units=choice.units)
    write_result(read_photo(path), result, place, stem=output_stem(path))


def _join_limbs(
    folder: Path, rows: Sequence[Mapping[str, Any]], choice: FolderChoice
) -> Iterator[str]:
    """Write what several photos of a limb, before the work, show together; a line on each limb."""
    copies, limbs = copies_of(rows), dict[tuple[str, str], list[tuple[Measurement, Path]]]()
    for row in rows:
        measured = measurement_of(choice.out, row) if row.get("ok") and row.get("limb") else None
        if measured and row.get("moment") != "after" and row["file"] not in copies:
            limb = (str(row.get("tree") or ""), str(row["limb"]))
            limbs.setdefault(limb, []).append((measured, Path(row["file"])))
    for (tree, limb_name), photos in limbs.items():
        try:
            joined = join_photos([measured for measured, _ in photos], every=False)
        except FruitcountError:  # one photo, or not surely of one limb: each stands by itself
            continue
        result = Result(joined.measurement, decide(joined.measurement, choice.inputs))
        shown = [path for measured, path in photos if measured in joined.photos]
        files = [(read_photo(folder / path), path) for path in shown]
        place = CountChoice(choice.out / shown[0].parent, units=choice.units)
        write_joined(files, joined, result, place)
        seen = joined.own_seen_on
        names, twice = " and ".join(path.name for path in shown), int((seen > 1).sum())
        yield (
            f"{tree or '(no tree)'} / {limb_name}: {len(seen)} different fruit, yellowing ones "
            f"too, on {names}, {twice} of them on more than one; one number a fruit on "
            f"{output_stem(shown[0])}_side1.jpg and the others"
        )


def folder_lines(answer: FolderAnswer) -> list[str]:
    """The answer in words: a line a limb, a line a tree, and what failed."""
    lines = []
    for limb in answer.count.limbs:
        name = f"{limb.tree or '(no tree)'} / {limb.limb or '(no limb)'}"
        moment = f" {limb.moment}" if limb.moment else ""
        told = math.isfinite(limb.count_n)
        count = f"{limb.count_n:.0f} fruit" if told else f"not known, {limb.how}"
        lines.append(f"{name}{moment}: {count}")
    lines += answer.joined
    for copy, first in copies_of(answer.count.rows).items():
        lines.append(f"{copy}: the same picture as {first}, counted once")
    for (tree_name, limb_name), (before, after) in compare_moments(answer.count.limbs).items():
        lines.append(
            f"{tree_name or '(no tree)'} / {limb_name}: {before:.0f} before, "
            f"{after:.0f} after, {before - after:.0f} off"
        )
    for tree in answer.trees:
        name = f"Tree {tree.tree or '(no name)'}{f' {tree.moment}' if tree.moment else ''}"
        words = ["total not known.", tree.why] if tree.count is None else estimate_lines(tree.count)
        lines.append(f"{name}: {' '.join(w for w in words if w != HIDDEN)}".rstrip())
    if any(tree.count and not tree.count.total.hidden_too for tree in answer.trees):
        lines.append(HIDDEN)
    if lost := answer.count.not_there:
        named = ", ".join(repr(name) for name in lost[:20]) + ", ..." * (len(lost) > 20)
        lines.append(f"The sheet names photos that are not in the folder ({len(lost)}): {named}")
    clashes = [row for row in answer.count.rows if row.get("clash")]
    if clashes:
        lines.append(f"Name and folder of a photo say different things ({len(clashes)}):")
        lines += [f"  {row['file']}: {row['clash']}" for row in clashes]
    for row in answer.count.rows:
        if not row.get("ok"):
            lines.append(f"{row['file']}: {row.get('problem')}")
        elif "CARD_CODE_UNREAD" in row.get("flags", ()):
            lines.append(f"{row['file']}: {SENTENCES[Flag.CARD_CODE_UNREAD]}")
    return [shown_name(line, longest=2000) for line in lines]
