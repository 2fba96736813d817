"""All files of one counted photo, written together."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any

from fruitcount.csv_table import write_table
from fruitcount.errors import BadInputError, FruitcountError, NotWrittenError
from fruitcount.export.picture import write_picture
from fruitcount.export.record import write_record
from fruitcount.export.registry import EXPORTS
from fruitcount.files import shown_name, written_whole
from fruitcount.flags import Flag
from fruitcount.image.photo import read_photo
from fruitcount.jobs.followup import count_again, read_left_standing
from fruitcount.pipeline import CountSettings, Result, count_limb
from fruitcount.plan import GrowerInputs
from fruitcount.results import ROW_COLUMNS, result_row
from fruitcount.types import Photo


@dataclass(frozen=True)
class OutputChoice:
    """What to write, and where.

    Attributes
    ----------
    folder : Path
        Made if it is not there.
    units : {"metric", "us"}
    picture : bool
    also : tuple of str
        Names in ``EXPORTS`` to write besides.
    first : Path or None
        Record of the first pass: the count is then the second one.
    """

    folder: Path
    units: str = "metric"
    picture: bool = True
    also: tuple[str, ...] = ()
    first: Path | None = None

    def __post_init__(self) -> None:
        unknown = [name for name in self.also if name not in EXPORTS]
        if unknown:
            raise BadInputError(f"export must be one of {', '.join(EXPORTS)}, got {unknown[0]!r}")


def output_stem(path: Path) -> str:
    """A name for a photo's files: photos of one folder that differ in their ending differ here."""
    stem, ending = shown_name(path.stem or "photo"), shown_name(path.suffix[1:])
    return stem if ending.lower() in ("jpg", "") else f"{stem}_{ending}"


def count_to_files(
    path: Path,
    choice: OutputChoice,
    *,
    settings: CountSettings | None = None,
    inputs: GrowerInputs | None = None,
    stem: str = "",
) -> tuple[Result, list[Path]]:
    """Count one photo and write its picture and record.

    Parameters
    ----------
    path : Path
        The photo.
    choice : OutputChoice
    settings, inputs
        As for :func:`fruitcount.count_limb`.
    stem : str
        Name of the files without their endings; by default :func:`output_stem`.

    Returns
    -------
    Result, and the files written: see :func:`write_result`.

    Raises
    ------
    PhotoUnreadableError, NotWrittenError
        Nothing is left behind then.
    """
    photo = read_photo(path)
    if choice.first is not None:
        first = read_left_standing(choice.first)
        again = count_again(photo, first, settings or CountSettings(), inputs or GrowerInputs())
        result = again[0]
    else:
        result = count_limb(photo, settings, inputs)
    return result, write_result(photo, result, choice, stem=stem or output_stem(path))


def write_result(photo: Photo, result: Result, choice: OutputChoice, *, stem: str) -> list[Path]:
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
            write_picture(draft / f"{stem}_plan.jpg", photo, result, units=choice.units)
        write_record(draft / f"{stem}.json", result)
        told = Flag.COUNT_UNKNOWN not in result.measurement.flags
        for export in (EXPORTS[name] for name in choice.also):
            if told or not export.of_marks:
                file = draft / f"{stem}{export.ending}"
                export.to_file(result, file, units=choice.units)
        names = [file.name for file in sorted(draft.iterdir(), key=lambda f: f.suffix == ".json")]
    return [choice.folder / name for name in names]


def count_files(
    paths: Iterable[Path],
    choice: OutputChoice,
    *,
    settings: CountSettings | None = None,
    inputs: GrowerInputs | None = None,
    report: Callable[[Path, Result | FruitcountError, list[Path]], None] | None = None,
) -> int:
    """Count several photos, each by itself; one that fails is reported and passed over.

    Parameters
    ----------
    paths : iterable of Path
    choice : OutputChoice
        ``counts.csv`` in its folder gets a row a photo, failed ones included.
    settings, inputs
        As for :func:`fruitcount.count_limb`.
    report : callable, optional
        Called after each photo with its path, its result or error, and the files written.

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
            try:
                outcome: Result | FruitcountError
                outcome, written = count_to_files(
                    path, choice, settings=settings, inputs=inputs, stem=stem
                )
                rows.append(result_row(outcome).values())
            except NotWrittenError:
                raise
            except FruitcountError as fault:
                outcome, written = fault, []
                failed += 1
                rows.append({"photo": shown_name(path.name), "status": f"failed: {fault}"})
            if report is not None:
                report(path, outcome, written)
    except BaseException:
        with suppress(NotWrittenError):  # what is counted so far, if there is room for that
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
