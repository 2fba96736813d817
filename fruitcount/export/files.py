"""All files of one counted photo, written together."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from fruitcount.errors import BadInputError, FruitcountError
from fruitcount.export.followup import count_again, read_left_standing
from fruitcount.export.picture import write_picture
from fruitcount.export.record import write_record
from fruitcount.export.registry import EXPORTS
from fruitcount.export.table import result_row, write_rows
from fruitcount.image.photo import read_photo
from fruitcount.pipeline import CountSettings, Result, count_limb
from fruitcount.plan import GrowerInputs

__all__ = ["OutputChoice", "count_files", "count_to_files", "output_stem"]


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


def output_stem(path: Path, folder: Path) -> str:
    """A name for a photo's files that does not overwrite another photo's of the same name."""
    stem = path.stem or "photo"
    return stem if path.suffix.lower() in (".jpg", ".jpeg", "") else f"{stem}_{path.suffix[1:]}"


def count_to_files(
    path: Path,
    choice: OutputChoice,
    *,
    settings: CountSettings | None = None,
    inputs: GrowerInputs | None = None,
) -> tuple[Result, list[Path]]:
    """Count one photo and write its picture and record.

    Parameters
    ----------
    path : Path
        The photo.
    choice : OutputChoice
    settings, inputs
        As for :func:`fruitcount.count_limb`.

    Returns
    -------
    Result, and the files written.

    Raises
    ------
    PhotoUnreadableError
        Nothing is written then.
    """
    photo = read_photo(path)
    if choice.first is not None:
        first = read_left_standing(choice.first)
        again = count_again(photo, first, settings or CountSettings(), inputs or GrowerInputs())
        result = again[0]
    else:
        result = count_limb(photo, settings, inputs)
    choice.folder.mkdir(parents=True, exist_ok=True)
    stem = output_stem(path, choice.folder)
    written = []
    if choice.picture:
        picture = choice.folder / f"{stem}_plan.jpg"
        write_picture(picture, photo, result, units=choice.units)
        written.append(picture)
    record = choice.folder / f"{stem}.json"
    write_record(record, result)
    written.append(record)
    for name in choice.also:
        export = EXPORTS[name]
        extra = choice.folder / f"{stem}{export.ending}"
        export.write(result, extra)
        written.append(extra)
    return result, written


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
    """
    rows, failed = [], 0
    for path in paths:
        try:
            outcome: Result | FruitcountError
            outcome, written = count_to_files(path, choice, settings=settings, inputs=inputs)
            rows.append(result_row(outcome))
        except FruitcountError as fault:
            outcome, written = fault, []
            failed += 1
            rows.append({"photo": path.name, "status": f"failed: {fault}"})
        if report is not None:
            report(path, outcome, written)
    choice.folder.mkdir(parents=True, exist_ok=True)
    write_rows(choice.folder / "counts.csv", rows)
    return failed
