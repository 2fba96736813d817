"""Where the records are: the screen's data folder unless another place is named."""

from __future__ import annotations

import os
from pathlib import Path

from fruitcount.errors import RecordError
from fruitcount.store.base import Store, open_store

__all__ = ["DATA_VARIABLE", "data_folder", "open_records", "records_file"]

DATA_VARIABLE = "FRUITCOUNT_DATA"


def data_folder() -> Path:
    """The screen's folder of photos and corrections: ``FRUITCOUNT_DATA`` or ``~/.fruitcount``."""
    return Path(os.environ.get(DATA_VARIABLE) or Path.home() / ".fruitcount")


def records_file(where: str | Path | None = None) -> Path | None:
    """The database file that :func:`open_records` means; None where it is on a server."""
    place = data_folder() if where is None else where
    if "://" in str(place):
        return None
    path = Path(place).expanduser()
    if path.is_dir() or where is None or (not path.suffix and not path.exists()):
        path = path / "records.db"
    return path


def open_records(
    where: str | Path | None = None,
    *,
    photos_folder: str | Path | None = None,
    create: bool = False,
) -> Store:
    """Open records by the words of a command line.

    Parameters
    ----------
    where : str or Path, optional
        A data folder of the screen, a database file, or a ``postgresql://`` URL; default
        :func:`data_folder`.
    photos_folder : str or Path, optional
        Where photo files lie. In a data folder that is ``photos``, beside any other file
        ``<name>-photos``; with PostgreSQL it must be given.
    create : bool
        Make the records if they are not there.

    Raises
    ------
    RecordError
        When they are not there, or cannot be used.
    """
    path = records_file(where)
    if path is None:
        return open_store(str(where), photos_folder=photos_folder)
    if not create and not path.is_file():
        raise RecordError(
            f"{path}: there are no records here. The first is made by `fruitcount count PHOTO "
            "--record --tree NAME` or by `fruitcount screen`."
        )
    if photos_folder is None and path.name == "records.db":
        photos_folder = path.parent / "photos"
    return open_store(path, photos_folder=photos_folder)
