"""Names fit to show, writing that leaves nothing half done, CSV tables, where bundled files lie.

Tables are CSV (RFC 4180): what is written a spreadsheet may open, and it reads back as it was.
"""

from __future__ import annotations

import csv
import errno
import math
import os
import re
import shutil
import tempfile
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, TextIO

from fruitcount.errors import BadInputError, NotWrittenError

_LONGEST = 240
_LONGEST_TYPED = 400
_UNSHOWN = ("Cc", "Cs", "Zl", "Zp")
# marks that turn the direction of writing, so that gpj.exe reads as exe.jpg (Unicode TR 36)
_TURNING = {*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F}


def shown_name(name: str, *, longest: int = _LONGEST) -> str:
    """A file's name on one line, without escapes, writable as UTF-8.

    Bytes that are no text, control characters and marks that turn the direction of writing each
    become U+FFFD; a very long name is cut. Other names come back as they are.

    Parameters
    ----------
    name : str
        As the file system or a sheet gave it; it may be anything.
    longest : int
        Letters kept; a larger number keeps more of a long name.
    """
    clean = name
    if not name.isprintable():
        clean = "".join("\ufffd" if _hidden(c) else c for c in name)
    return clean if len(clean) <= longest else clean[: longest - 1] + "\u2026"


def typed_name(name: str) -> str:
    """A name that the keeper gave, as it is kept: shown, and without blanks round it."""
    return shown_name(name.strip(), longest=_LONGEST_TYPED)


def file_stem(name: str, empty: str) -> str:
    """A name as part of a file's name: what that cannot hold taken out, and not too long for it."""
    return re.sub(r"[^\w-]+", "-", name).strip("-")[:60] or empty


def _hidden(sign: str) -> bool:
    return ord(sign) in _TURNING or unicodedata.category(sign) in _UNSHOWN


@contextmanager
def written_whole(folder: str | Path) -> Iterator[Path]:
    """A place to write files to, which then appear in ``folder`` together.

    On any error none of them is left, and what was in ``folder`` before stays as it was. Only if
    the drive fails while they are moved up, one after the other, does an older file that was
    replaced already stay replaced: each file is whole at any time.

    Parameters
    ----------
    folder : str or Path
        Made if it is not there.

    Yields
    ------
    Path
        A folder inside ``folder``; each file put there is moved up when the block ends.

    Raises
    ------
    NotWrittenError
        When the disk is full, the folder cannot be written, or a name is too long.
    """
    target = Path(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(dir=target, prefix=".part-"))
    except OSError as fault:
        raise NotWrittenError(shown_name(str(target)), fault.strerror) from fault
    placed: list[Path] = []
    try:
        yield draft
        files = sorted(draft.iterdir())
        for file in files:
            _on_disk(file)
        for place, file in [(target / file.name, file) for file in files]:
            new = not place.exists()
            if not (new or place.is_file()):  # a device or a pipe would be gone after it
                raise FileExistsError(errno.EEXIST, "it is there and is no file", str(place))
            file.replace(place)
            placed += [place] * new
    except OSError as fault:
        for place in placed:
            with suppress(OSError):
                place.unlink()
        where = target / Path(str(fault.filename or "")).name
        raise NotWrittenError(shown_name(str(where)), fault.strerror) from fault
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def _on_disk(file: Path) -> None:
    # some file systems tell of a full disk only when the bytes have to be there
    with file.open("rb") as stream:
        os.fsync(stream.fileno())


_PACKAGE = Path(__file__).resolve().parent
PLAIN_FONT = _PACKAGE / "export" / "fonts" / "DejaVuSans.ttf"
BOLD_FONT = PLAIN_FONT.with_name("DejaVuSans-Bold.ttf")


def _either(installed: str, checkout: str) -> Path:
    inside = _PACKAGE / installed
    return inside if inside.is_dir() else _PACKAGE.parent / checkout


def models_folder() -> Path:
    """Folder of trained models and their cards."""
    return _either("_models", "models")


def screen_folder() -> Path:
    """Folder of the Streamlit screen."""
    return _either("_screen", "ui")


def is_clip(path: Path) -> bool:
    """Whether a file's name is that of a short film."""
    return path.suffix.lower() in (".mp4", ".mov", ".m4v")


def sample_folder() -> Path:
    """Folder of sample photographs; only a checkout has it."""
    return _PACKAGE.parent / "sample_images"


# ours: many times the largest orchard that is kept with this; what is read is held in memory
MOST_LINES = 100_000


def table_lines(path: str | Path, most_n: int = MOST_LINES) -> Iterator[tuple[str, dict[str, str]]]:
    """Where each line stands, and its cells without blanks round them.

    The first has the names of the columns, in small letters. Commas, semicolons or tabs part the
    cells, whichever the first line has most of; a byte order mark is left out; a cell that lacks is
    empty.

    Parameters
    ----------
    path : str or Path
        UTF-8.
    most_n : int
        Lines read at most.

    Raises
    ------
    BadInputError
        When it cannot be read, has more lines than that, a column comes twice, a quote is not
        closed, or a line has more cells than there are columns.
    """
    try:
        with Path(path).open(newline="", encoding="utf-8-sig") as stream:
            reader = table_reader(stream)
            names = [name.strip().lower() for name in reader.fieldnames or ()]
            if twice := [name for name in names if names.count(name) > 1 and name]:
                raise BadInputError(f"{path}: the column {twice[0]} comes twice")
            reader.fieldnames = names
            yield str(path), dict.fromkeys(names, "")
            line: dict[str, str | None] = {}
            for number, line in enumerate(reader, start=1):
                if number > most_n:
                    raise BadInputError(f"{path}: has over {most_n} lines: part it in several")
                where = f"{path}, line {reader.line_num}"
                if None in line:
                    raise BadInputError(
                        f"{where}: has more cells than there are columns; with decimal commas, "
                        "part the cells by semicolons"
                    )
                shown = {k: shown_name(v or "", longest=2000) for k, v in line.items()}
                yield where, {k: cell.strip() for k, cell in shown.items()}
            stream.seek(0)  # a cell that is not closed takes all lines below into itself
            if "\n" in "".join(filter(None, line.values())) and stream.read().count('"') % 2:
                raise BadInputError(f"{path}: a quote is not closed: a cell holds several lines")
    except UnicodeDecodeError as error:
        raise BadInputError(f"{path}: is no text in UTF-8: save it as CSV UTF-8") from error
    except (OSError, csv.Error) as error:
        raise BadInputError(f"{path}: the sheet cannot be read: {error}") from error


def table_reader(stream: TextIO, *, strict: bool = False) -> csv.DictReader[str]:
    """Reads an open table whose cells commas, semicolons or tabs part, whichever its head tells."""
    first = stream.readline(1 << 16)
    stream.seek(0)
    return csv.DictReader(stream, delimiter=max(",;\t", key=first.count), strict=strict)


def sheet_lines(path: str | Path, needed: tuple[str, ...]) -> Iterator[tuple[str, dict[str, str]]]:
    """The lines of :func:`table_lines` below the first, of a sheet that must have some columns.

    Raises
    ------
    BadInputError
        When a column is missing, there is no line below the first, or the sheet cannot be read.
    """
    lines = table_lines(path)
    missing = set(needed) - set(next(lines)[1])
    if missing:
        raise BadInputError(f"{path}: the sheet needs a column {' and '.join(sorted(missing))}")
    line = None
    for line in lines:
        yield line
    if line is None:
        raise BadInputError(f"{path}: the sheet has no line below its first")


def number_in(cell: str) -> float:
    """A number with a point or a decimal comma; ValueError where it is none."""
    return float(cell.replace(",", "."))


# First characters by which spreadsheets take a text for a formula.
FORMULA_STARTS = tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")


def safe_cell(value: Any) -> Any:
    """Keep a text from being run as a formula: a risky first character gets a quote before it."""
    if isinstance(value, str) and value[:1] in FORMULA_STARTS:
        return "'" + value
    return value


def write_table(path: Path, rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> Path:
    """Write rows with a header (UTF-8) and read them back; what is not known is an empty cell.

    Parameters
    ----------
    path : Path
        Its folder is made.
    rows : iterable of mapping
        Such as :meth:`fruitcount.results.ResultRow.values`.
    columns : sequence of str
    """
    with (
        written_whole(path.parent) as draft,
        (draft / path.name).open("w", newline="", encoding="utf-8") as file,
    ):
        lines = [list(columns), *([_cell(row.get(name)) for name in columns] for row in rows)]
        csv.writer(file).writerows(lines)
        file.flush()
        with (draft / path.name).open(newline="", encoding="utf-8") as again:
            if list(csv.reader(again)) != [[str(cell) for cell in line] for line in lines]:
                raise NotWrittenError(str(path), "it does not read back as it was written")
    return path


def _cell(value: Any) -> Any:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return round(value, 4)
    if isinstance(value, list | tuple):
        return " ".join(str(v) for v in value)
    if not isinstance(value, str):
        return value
    name = shown_name(value, longest=2000)
    # an apostrophe of its own is doubled, so that reading takes off the one put there
    return f"'{name}" if name.startswith("'") else safe_cell(name)
