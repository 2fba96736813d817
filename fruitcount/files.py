"""Names fit to show, writing that leaves nothing half done, where bundled files lie."""

from __future__ import annotations

import os
import shutil
import tempfile
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from fruitcount.errors import NotWrittenError

_LONGEST = 240
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
    clean = "".join("\ufffd" if _hidden(c) else c for c in name)
    return clean if len(clean) <= longest else clean[: longest - 1] + "\u2026"


def _hidden(sign: str) -> bool:
    return ord(sign) in _TURNING or unicodedata.category(sign) in _UNSHOWN


@contextmanager
def written_whole(folder: str | Path) -> Iterator[Path]:
    """A place to write files to, which then appear in ``folder`` together.

    On any error none of them is left, and what was in ``folder`` before stays as it was.

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
    try:
        yield draft
        for file in sorted(draft.iterdir()):
            _on_disk(file)
        for file in sorted(draft.iterdir()):
            file.replace(target / file.name)
    except OSError as fault:
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


def sample_folder() -> Path:
    """Folder of sample photographs; only a checkout has it."""
    return _PACKAGE.parent / "sample_images"
