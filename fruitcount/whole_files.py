"""Write files whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from fruitcount.errors import NotWrittenError
from fruitcount.names import shown_name

__all__ = ["written_whole"]


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
