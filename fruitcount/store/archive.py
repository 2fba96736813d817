"""All records and photos in one zip file and back, without loss.

``records.jsonl`` has one JSON object a line, first the header, then every row of every table;
``photos/`` has the photo files under their hash. It is the same for SQLite and PostgreSQL, so
that it also moves records from one to the other.
"""

from __future__ import annotations

import json
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

from fruitcount.errors import RecordError
from fruitcount.files import written_whole
from fruitcount.store.base import Store, reading, writing
from fruitcount.store.rows import (
    all_lines,
    encode,
    exported_photo,
    must_be_empty,
    photo_data,
    put_photos,
    read_lines,
)

__all__ = ["read_archive", "write_archive"]

_LINES = "records.jsonl"
_LARGEST_PHOTO = 512 * 1024 * 1024
# about a hundred thousand counted photos; a small zip may claim to unpack to far more
_LARGEST_LINES = 8 * 1024 * 1024 * 1024


def write_archive(store: Store, path: str | Path, *, keep_location: bool = False) -> Path:
    """Write all records and photos into one zip file, whole or not at all, and read it back.

    Parameters
    ----------
    store : Store
    path : str or Path
        Replaced if it exists.
    keep_location : bool
        True writes the GPS position of those photos that were kept with it. It is taken out of
        the copies in the archive otherwise.

    Raises
    ------
    RecordError
        When a photo file is gone or was changed: an archive that looks whole must be whole.
    """
    target = Path(path)
    with written_whole(target.parent) as folder:
        draft = folder / target.name
        with reading(store) as session, zipfile.ZipFile(draft, "w", zipfile.ZIP_STORED) as out:
            for row in _write_lines(store, session, out, keep_location):
                data = photo_data(store, row, keep_location=keep_location)
                # a ZipInfo has a date of its own: zip files know none before 1980, clocks do
                out.writestr(zipfile.ZipInfo(f"photos/{row['sha256']}{row['suffix']}"), data)
        with zipfile.ZipFile(draft) as again:
            bad = again.testzip()
        if bad is not None:
            raise RecordError(f"{target}: {bad} cannot be read back, archive not made")
    return target


def _write_lines(
    store: Store, session: Session, out: zipfile.ZipFile, keep_location: bool
) -> list[dict[str, Any]]:
    """Write the rows; gives those of photos as they are in the records."""
    photos: list[dict[str, Any]] = []

    def exported(row: dict[str, Any]) -> dict[str, Any]:
        photos.append(row)
        return exported_photo(store, row, keep_location=keep_location)

    info = zipfile.ZipInfo(_LINES)
    info.compress_type = zipfile.ZIP_DEFLATED
    with out.open(info, "w", force_zip64=True) as stream:
        for line in all_lines(session, exported):
            text_line = json.dumps(line, ensure_ascii=False, allow_nan=False, default=encode)
            stream.write(text_line.encode() + b"\n")
    return photos


def read_archive(store: Store, path: str | Path, *, keep_location: bool = False) -> int:
    """Read an archive into records that are empty; returns how many rows were read.

    Parameters
    ----------
    store : Store
    path : str or Path
    keep_location : bool
        True keeps the GPS position of photos that have it in the archive. It is taken out
        otherwise.

    Raises
    ------
    RecordError
        When the records are not empty, or the archive is damaged, of another version, or holds a
        photo that is not what its name says. Nothing is kept of it then.
    """
    name = str(path)
    try:
        with zipfile.ZipFile(path) as archive, writing(store) as session:
            must_be_empty(store, session)
            if archive.getinfo(_LINES).file_size > _LARGEST_LINES:
                raise RecordError(f"{name}: {_LINES} is too large to be records")
            with archive.open(_LINES) as stream:
                count = read_lines(session, _parsed(stream, name), name)
            read = partial(_photo_bytes, archive)
            put_photos(store, session, read, keep_location=keep_location)
            return count
    except RecordError:
        raise
    except (zipfile.BadZipFile, zlib.error, KeyError, OSError, ValueError, RuntimeError) as error:
        raise RecordError(f"{name}: the archive is damaged: {error}") from error


def _parsed(stream: Iterable[bytes], name: str) -> Iterator[Any]:
    for number, line in enumerate(stream, start=1):
        try:
            yield json.loads(line.decode())
        except (ValueError, RecursionError) as error:
            raise RecordError(f"{name}, line {number}: cannot be read: {error}") from error


def _photo_bytes(archive: zipfile.ZipFile, name: str) -> bytes:
    info = archive.getinfo(name)
    if info.file_size > _LARGEST_PHOTO:
        raise RecordError(f"{name}: {info.file_size} bytes is too large for a photo")
    return archive.read(info)
