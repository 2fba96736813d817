"""Many photos at once: files and zips from a browser, each looked into before it is kept."""

from __future__ import annotations

import io
import lzma
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from pathlib import PurePosixPath
from typing import Protocol

from fruitcount.errors import PhotoUnreadableError

__all__ = ["Upload", "photos_in"]

PHOTO_ENDINGS = (".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif")
# Our choice: a season's photos of a large tree, and no more than a phone makes of one photo.
MOST_FILES = 2000
LARGEST_BYTES = 120_000_000
# all that the zip reader is known to raise on a damaged or locked member
_DAMAGED = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, ValueError, RuntimeError, EOFError, OSError,
)  # fmt: skip


class Upload(Protocol):
    """What the uploader gives."""

    name: str

    def getvalue(self) -> bytes:
        """The whole file."""
        ...


def photos_in(uploads: Iterable[Upload]) -> Iterator[tuple[str, bytes | PhotoUnreadableError]]:
    """Each photo's own name and bytes; zips are opened, folders in them are passed over.

    Names never become paths. A member that is too large, locked or damaged is given as an error
    in its place, so that the others go on.
    """
    for upload in uploads:
        if not upload.name.lower().endswith(".zip"):
            yield PurePosixPath(upload.name.replace("\\", "/")).name, upload.getvalue()
            continue
        try:
            with zipfile.ZipFile(io.BytesIO(upload.getvalue())) as archive:
                yield from _members(archive, upload.name)
        except _DAMAGED:
            yield upload.name, PhotoUnreadableError(upload.name, "is not a zip file, or damaged")


def _members(
    archive: zipfile.ZipFile, zip_name: str
) -> Iterator[tuple[str, bytes | PhotoUnreadableError]]:
    members = [m for m in archive.infolist() if _is_photo(m)]
    if not members:
        yield (
            zip_name,
            PhotoUnreadableError(zip_name, "holds no photos (JPEG, PNG, WebP, TIFF, HEIC)"),
        )
    if len(members) > MOST_FILES:
        yield zip_name, PhotoUnreadableError(zip_name, f"holds over {MOST_FILES} photos")
        return
    for member in members:
        name = PurePosixPath(member.filename.replace("\\", "/")).name
        if member.file_size > LARGEST_BYTES:
            yield name, PhotoUnreadableError(name, f"is over {LARGEST_BYTES // 1_000_000} MB")
            continue
        try:
            with archive.open(member) as file:
                # the size in the list may lie: never read more than is allowed
                data = file.read(LARGEST_BYTES + 1)
        except _DAMAGED:
            yield name, PhotoUnreadableError(name, "is damaged or locked in the zip")
            continue
        if len(data) > LARGEST_BYTES:
            yield name, PhotoUnreadableError(name, f"is over {LARGEST_BYTES // 1_000_000} MB")
        else:
            yield name, data


def _is_photo(member: zipfile.ZipInfo) -> bool:
    path = PurePosixPath(member.filename.replace("\\", "/"))
    parts = [part for part in path.parts if part.strip(".")]
    hidden = any(part.startswith((".", "__MACOSX")) for part in parts)
    return not member.is_dir() and not hidden and path.suffix.lower() in PHOTO_ENDINGS
