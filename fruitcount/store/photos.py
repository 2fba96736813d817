"""Photo files by content hash in a folder, and their rows. Deleting removes both."""

from __future__ import annotations

import hashlib
import re
import sqlite3
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from sqlalchemy import select, text

from fruitcount.errors import RecordError, one_of
from fruitcount.files import shown_name, written_whole
from fruitcount.image.metadata import without_location
from fruitcount.store.base import Store, must_get, reading, writing
from fruitcount.store.tables import PhotoRow

SIDES = ("", "front", "back")
MOMENTS = ("", "before", "after")
_SUFFIX = re.compile(r"\.[a-z0-9]{1,5}")


@dataclass(frozen=True)
class PhotoPlace:
    """What a photo shows.

    Attributes
    ----------
    tree_id, limb_id : int or None
    side : {"", "front", "back"}
    moment : {"", "before", "after"}
        Before or after thinning.
    """

    tree_id: int | None = None
    limb_id: int | None = None
    side: str = ""
    moment: str = ""

    def __post_init__(self) -> None:
        one_of("side", self.side, SIDES)
        one_of("moment", self.moment, MOMENTS)


def file_of(store: Store, sha256: str, suffix: str) -> Path:
    """Where a photo with this hash lies."""
    if not re.fullmatch(r"[0-9a-f]{64}", sha256) or (suffix and not _SUFFIX.fullmatch(suffix)):
        raise RecordError(f"{store.name}: photo record {sha256!r}{suffix!r} is damaged")
    return store.photos_folder / sha256[:2] / f"{sha256}{suffix}"


def small_copy(photo: Path, side_px: int) -> Path:
    """Where a kept photo's copy with that long side lies; it is made when it is shown."""
    return photo.with_name(f"{photo.name}.{side_px}.jpg")


def save_photo(
    store: Store,
    source: bytes | str | Path,
    *,
    name: str = "",
    place: PhotoPlace | None = None,
    keep_location: bool = False,
) -> int:
    """Keep a photo; the same bytes are kept once and give the same number again.

    Parameters
    ----------
    store : Store
    source : bytes, str or Path
        The file's bytes, or the file. The photo is known by the hash of these bytes; pixels,
        orientation and capture time are kept as they are.
    name : str
        Name to show; default the file's own.
    place : PhotoPlace, optional
        What it shows. When the photo is known already, a place given here replaces the old one.
    keep_location : bool
        True keeps the GPS position that the camera wrote into the file. It is taken out
        otherwise, also of a photo that was kept with it before.

    Returns
    -------
    int
        The photo's number.
    """
    data = source if isinstance(source, bytes) else Path(source).read_bytes()
    shown = shown_name(name or ("" if isinstance(source, bytes) else Path(source).name))
    digest = hashlib.sha256(data).hexdigest()
    kept = data if keep_location else without_location(data)
    suffix = Path(shown).suffix.lower()
    suffix = suffix if _SUFFIX.fullmatch(suffix) else ""
    with writing(store) as session:
        row = session.scalar(select(PhotoRow).where(PhotoRow.sha256 == digest))
        suffix = row.suffix if row else suffix
        # the file comes first: a row whose file is missing would be worse than a spare file
        write_whole(file_of(store, digest, suffix), kept)
        if row is None:
            row = PhotoRow(sha256=digest, file_name=shown, suffix=suffix)
            session.add(row)
        row.bytes_n = len(kept)
        row.file_sha256 = "" if kept is data else hashlib.sha256(kept).hexdigest()
        if place is not None:
            _put_place(row, place)
        session.flush()
        return row.id


def _put_place(row: PhotoRow, place: PhotoPlace) -> None:
    row.tree_id, row.limb_id = place.tree_id, place.limb_id
    row.side, row.moment = place.side, place.moment


def set_photo_place(store: Store, photo_id: int, **changes: Any) -> None:
    """Say what a photo shows, by some of the fields of :class:`PhotoPlace`; the others stay."""
    with writing(store) as session:
        row = must_get(session, PhotoRow, photo_id)
        was = PhotoPlace(row.tree_id, row.limb_id, row.side, row.moment)
        _put_place(row, replace(was, **changes))


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all; the same one that is there stays."""
    if path.exists() and path.stat().st_size == len(data) and path.read_bytes() == data:
        return
    with written_whole(path.parent) as draft:
        (draft / path.name).touch(mode=0o600)  # only its owner may read it
        (draft / path.name).write_bytes(data)


def photo_file(store: Store, photo_id: int) -> Path:
    """The photo's file.

    Raises
    ------
    RecordError
        When there is no such photo, or its file is gone.
    """
    with reading(store) as session:
        row = must_get(session, PhotoRow, photo_id)
        path = file_of(store, row.sha256, row.suffix)
    if not path.is_file():
        raise RecordError(f"{path}: the file of photo {photo_id} is gone")
    return path


def checked_bytes(store: Store, sha256: str, suffix: str, file_sha256: str) -> bytes:
    """The bytes of a photo's file as its row tells of it.

    Raises
    ------
    RecordError
        When the file is gone or was changed.
    """
    path = file_of(store, sha256, suffix)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise RecordError(f"{path}: the photo's file is gone or cannot be read") from error
    if hashlib.sha256(data).hexdigest() != (file_sha256 or sha256):
        raise RecordError(f"{path}: the photo's file was changed")
    return data


def delete_photo(store: Store, photo_id: int) -> None:
    """Remove a photo, its file, what was seen on it, its edits and decisions, for good.

    Copies in backups made earlier are not touched.
    """
    with writing(store) as session:
        row = must_get(session, PhotoRow, photo_id)
        path = file_of(store, row.sha256, row.suffix)
        session.delete(row)
    remove_file(path)
    scrub(store)


def remove_file(path: Path) -> None:
    """Remove a photo's file and the small copies that the screen keeps beside it."""
    for copy in path.parent.glob(f"{path.name}.*"):
        copy.unlink(missing_ok=True)
    path.unlink(missing_ok=True)


def unused_files(store: Store) -> list[Path]:
    """Files in the photos folder that belong to no photo; small copies belong to theirs."""
    with reading(store) as session:
        used = {
            file_of(store, s, x)
            for s, x in session.execute(select(PhotoRow.sha256, PhotoRow.suffix))
        }
    names = {path.name for path in used}
    return [
        path
        for path in sorted(store.photos_folder.glob("??/**/*"))  # drafts of a killed program too
        if path.is_file() and path not in used and not _owner(path) & names
    ]


def _owner(path: Path) -> set[str]:
    """Names of the photo that a small copy such as ``<hash>.jpg.320.jpg`` may be made of."""
    parts = path.name.split(".")
    return {".".join(parts[:k]) for k in (1, 2) if k < len(parts)}


def scrub(store: Store) -> None:
    """Rewrite the database file, so that deleted rows cannot be read back from it.

    Raises
    ------
    RecordError
        When another program kept reading for ten seconds; the rows are deleted all the same, but
        the file was not rewritten.
    """
    if not store.is_sqlite:
        with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as conn:
            conn.execute(text("VACUUM"))
        return
    try:
        raw = sqlite3.connect(str(store.file), timeout=10.0, isolation_level=None)
        with closing(raw):
            raw.execute("VACUUM")
            busy = raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
    except sqlite3.Error as error:
        raise RecordError(
            f"{store.name}: deleted, but the file is not rewritten: {error}"
        ) from error
    if busy:
        raise RecordError(f"{store.name}: deleted, but the file is in use and not rewritten")
