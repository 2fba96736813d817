"""Photo files beside exported records, in a folder ``photos``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

from fruitcount.errors import RecordError
from fruitcount.files import written_whole
from fruitcount.store.base import Store
from fruitcount.store.rows import (
    exported_photo,
    photo_data,
    put_photos,
    record_tables,
    table_rows,
)

__all__ = ["read_photo_folder", "write_photo_folder"]

_FOLDER = "photos"


def write_photo_folder(
    store: Store, session: Session, folder: Path, keep_location: bool
) -> dict[int, dict[str, Any]]:
    """Write every photo's file; gives each photo's row as it goes out, by its number."""
    rows = {}
    (table,) = (t for t in record_tables() if t.name == "photo")
    with written_whole(folder / _FOLDER) as draft:
        for row in table_rows(session, table):
            data = photo_data(store, row, keep_location=keep_location)
            (draft / f"{row['sha256']}{row['suffix']}").write_bytes(data)
            rows[int(row["id"])] = exported_photo(store, row, keep_location=keep_location)
    return rows


def read_photo_folder(store: Store, session: Session, folder: Path, keep_location: bool) -> None:
    """Put the photo files in their place, where the folder has any."""
    if not (folder / _FOLDER).is_dir():
        return

    def read(name: str) -> bytes:
        try:
            return (folder / name).read_bytes()
        except OSError as error:
            raise RecordError(f"{folder / name}: cannot be read: {error.strerror}") from error

    put_photos(store, session, read, keep_location=keep_location)
