"""One photo counted, written with all its files, and followed up: second pass, check afterwards."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import count
from pathlib import Path
from typing import Any

from fruitcount import errors
from fruitcount.export import EXPORTS
from fruitcount.export.picture import annotated_picture, jpeg_bytes
from fruitcount.export.record import write_record
from fruitcount.files import shown_name, write_table, written_whole
from fruitcount.flags import Flag, flag_sentences
from fruitcount.image.photo import read_photo
from fruitcount.measurement_record import plain, read_values
from fruitcount.pipeline import CountSettings, Result, count_limb, decide, measure
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.passes import after_words, other_limb_words, second_pass_inputs
from fruitcount.plan.result import FirstPass
from fruitcount.results import ROW_COLUMNS, result_row
from fruitcount.types import Photo

# What records of earlier versions lack, as it then reads.
_EARLIER = plain(FirstPass(0, float("nan"), float("nan"), ""))


def read_left_standing(path: Path) -> FirstPass:
    """What an earlier record says was to stay.

    Parameters
    ----------
    path : Path
        A record that :func:`fruitcount.export.record.write_record` wrote.

    Raises
    ------
    RecordError
        When it is not such a record.
    """
    try:
        record: Any = json.loads(path.read_text(encoding="utf-8-sig"))
        kept = record["left_standing"]
        sure = {name: kept[name] for name in ("kept_count", "species")}
        return read_values(FirstPass, {**_EARLIER, **kept, **sure})
    except OSError as fault:
        raise errors.RecordError(f"{path}: cannot be opened: {fault.strerror}") from fault
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as fault:
        raise errors.RecordError(f"{path}: is not a record of a counted limb") from fault


def count_again(
    photo: Photo, first: FirstPass, settings: CountSettings, inputs: GrowerInputs
) -> Result:
    """Second pass: the final count of the first one leads; what fell since is among the notes."""
    measurement = measure(photo, settings)
    if Flag.COUNT_UNKNOWN in measurement.flags:  # nothing is known of what fell since
        return Result(measurement, decide(measurement, replace(inputs, pass_number=2)))
    counted = int(measurement.fruitlets.counts_as_crop.sum())
    second, said = second_pass_inputs(inputs, first, counted)
    decision = decide(measurement, second)
    plan = replace(decision.plan, notes=(*decision.plan.notes, *said))
    return Result(measurement, replace(decision, plan=plan))


def check_photos(paths: Sequence[Path], record: Path, settings: CountSettings) -> str:
    """Count photos of a limb taken after the work and compare them with the record of the plan.

    Several are joined, so that each fruit counts once.

    Raises
    ------
    PhotoUnreadableError
        When a photo cannot be read, or the count cannot be told from it.
    RecordError
        When it is not a record of a counted limb.
    OtherLimbError
        When a photo shows another limb.
    """
    from fruitcount.views import join_photos  # here: counting does without

    first = read_left_standing(record)  # wrong use is told before anything is counted
    photos = [measure(read_photo(path), settings) for path in paths]
    for photo in photos:
        if Flag.COUNT_UNKNOWN in photo.flags:
            raise errors.PhotoUnreadableError(photo.name, " ".join(flag_sentences(photo.flags)))
    measurement = join_photos(photos).measurement if len(photos) > 1 else photos[0]
    other = other_limb_words(first, measurement.fruitlets, measurement.limb)
    if other:
        raise errors.OtherLimbError(f"{measurement.name}: not the limb of {record.name}: {other}")
    return after_words(first.kept_count, int(measurement.fruitlets.counts_as_crop.sum()))


@dataclass(frozen=True)
class CountChoice:
    """How photos are counted, what is written, and where.

    Attributes
    ----------
    folder : Path
        Made if it is not there.
    settings : CountSettings
    inputs : GrowerInputs
    units : {"metric", "us"}
    picture : bool
    also : tuple of str
        Names in ``EXPORTS`` to write besides.
    first : Path or None
        Record of the first pass: the count is then the second one.
    """

    folder: Path
    settings: CountSettings = field(default_factory=CountSettings)
    inputs: GrowerInputs = field(default_factory=GrowerInputs)
    units: str = "metric"
    picture: bool = True
    also: tuple[str, ...] = ()
    first: Path | None = None

    def __post_init__(self) -> None:
        for name in self.also:
            errors.one_of("export", name, tuple(EXPORTS))


def output_stem(path: Path) -> str:
    """A name for a photo's files: photos of one folder that differ in their ending differ here."""
    stem, ending = shown_name(path.stem or "photo"), shown_name(path.suffix[1:])
    return stem if ending.lower() in ("jpg", "") else f"{stem}_{ending}"


def _counted(photo: Photo, choice: CountChoice) -> Result:
    if choice.first is None:
        return count_limb(photo, choice.settings, choice.inputs)
    return count_again(photo, read_left_standing(choice.first), choice.settings, choice.inputs)


def write_result(photo: Photo, result: Result, choice: CountChoice, *, stem: str) -> list[Path]:
    """Write a photo's picture, record and other exports; the files written.

    Where the count could not be told there are no boxes among them: a file without any would
    read as "no fruit".

    Raises
    ------
    NotWrittenError
        Nothing is left behind then.
    """
    with written_whole(choice.folder) as draft:
        if choice.picture:
            picture = annotated_picture(photo, result, units=choice.units)
            (draft / f"{stem}_plan.jpg").write_bytes(jpeg_bytes(picture))
        write_record(draft / f"{stem}.json", result)
        told = Flag.COUNT_UNKNOWN not in result.measurement.flags
        for export in (EXPORTS[name] for name in choice.also):
            if told or not export.of_marks:
                file = draft / f"{stem}{export.ending}"
                export.write(result, file, choice.units)
        names = [file.name for file in sorted(draft.iterdir(), key=lambda f: f.suffix == ".json")]
    return [choice.folder / name for name in names]


Report = Callable[[Path, Result | errors.FruitcountError, list[Path]], None]
"""Told after each photo: its path, its result or error, and the files written."""


def count_files(
    paths: Iterable[Path], choice: CountChoice, report: Report = lambda *_: None
) -> int:
    """Count several photos, each by itself; one that fails is reported and passed over.

    Parameters
    ----------
    paths : iterable of Path
    choice : CountChoice
        ``counts.csv`` in its folder gets a row a photo, failed ones included.
    report : Report

    Returns
    -------
    int
        How many photos failed.

    Raises
    ------
    NotWrittenError
        At the first photo whose results cannot be written: the others could not be either.
    """
    rows: list[dict[str, Any]] = []
    failed, stems = 0, {"counts"}
    try:
        for path in paths:
            stem = _free(output_stem(path), stems)
            outcome: Result | errors.FruitcountError
            try:
                photo = read_photo(path)
                outcome = _counted(photo, choice)
                written = write_result(photo, outcome, choice, stem=stem)
                rows.append(result_row(outcome).values())
            except errors.NotWrittenError:
                raise
            except errors.FruitcountError as fault:
                outcome, written = fault, []
                failed += 1
                rows.append({"photo": shown_name(path.name), "status": f"failed: {fault}"})
            report(path, outcome, written)
    except BaseException:
        with suppress(errors.NotWrittenError):  # what is counted so far, if there is room for that
            write_table(choice.folder / "counts.csv", rows, ROW_COLUMNS)
        raise
    write_table(choice.folder / "counts.csv", rows, ROW_COLUMNS)
    return failed


def _free(stem: str, taken: set[str]) -> str:
    """The stem, or one with a number: photos of one name must not overwrite each other's files."""
    names = (f"{stem}_{n}" if n > 1 else stem for n in count(1))
    free = next(name for name in names if name.lower() not in taken)
    taken.add(free.lower())
    return free
