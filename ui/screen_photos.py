"""Photos from and for the browser: zips looked into; small whole pictures, sharp pieces."""

from __future__ import annotations

import io
import lzma
import threading
import zipfile
import zlib
from collections import OrderedDict
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path, PurePosixPath
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from fruitcount.errors import NotWrittenError, PhotoUnreadableError
from fruitcount.files import written_whole
from fruitcount.image.opencv import cv2, zoomed
from fruitcount.image.photo import read_photo
from fruitcount.store.photos import small_copy
from fruitcount.types import Photo

LARGEST_SIDE_PX = 2048
_JPEG = [cv2.IMWRITE_JPEG_QUALITY, 82]


_held: OrderedDict[Path, Photo] = OrderedDict()
_HELD = 2
_one_at_a_time = threading.RLock()


def photo_at(path: Path) -> Photo:
    """The decoded photo; the last two are held (50 MP is 150 MB)."""
    with _one_at_a_time:  # equal requests at once decode it once
        photo = _held.get(path)
        if photo is None:
            photo = read_photo(path)
            hold(path, photo)
        return photo


def hold(path: Path, photo: Photo) -> None:
    """Hold a photo that was decoded already, as one just uploaded."""
    with _one_at_a_time:
        _held[path] = photo
        _held.move_to_end(path)
        while len(_held) > _HELD:
            _held.popitem(last=False)


def preview_jpeg(path: Path, side_px: int = LARGEST_SIDE_PX) -> bytes:
    """The whole photo, its long side at most ``side_px``; kept beside the photo once made."""
    side_px = int(min(max(side_px, 64), LARGEST_SIDE_PX))
    kept = small_copy(path, side_px)
    if kept.exists():
        return kept.read_bytes()
    data = shrink(photo_at(path).rgb, side_px)
    # each request writes its own draft; a folder that cannot be written still shows its photos
    with suppress(NotWrittenError), written_whole(kept.parent) as draft:
        (draft / kept.name).write_bytes(data)
    return data


def piece_jpeg(path: Path, box: tuple[int, int, int, int]) -> bytes:
    """A piece of the photo as sharp as it is, or as ``LARGEST_SIDE_PX`` allows.

    Parameters
    ----------
    path : Path
    box : tuple of (x, y, width, height), px
        Cut to what lies in the photo.
    """
    rgb = photo_at(path).rgb
    x, y = (int(np.clip(v, 0, n - 1)) for v, n in zip(box[:2], rgb.shape[1::-1], strict=True))
    piece = rgb[y : y + max(1, box[3]), x : x + max(1, box[2])]
    return shrink(piece, LARGEST_SIDE_PX)


def shrink(rgb: NDArray[Any], side_px: int, ending: str = ".jpg") -> bytes:
    """Encode, made smaller if its long side is over ``side_px``; ``.png`` for drawings."""
    scale = side_px / max(rgb.shape[:2])
    rgb = zoomed(rgb, scale) if scale < 1 else rgb
    settings = _JPEG if ending == ".jpg" else []
    done, data = cv2.imencode(ending, cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), settings)
    if not done:
        raise RuntimeError("the picture could not be encoded")
    return bytes(data)


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
            yield _own(upload.name, upload.getvalue())
            continue
        try:
            with zipfile.ZipFile(io.BytesIO(upload.getvalue())) as archive:
                yield from _members(archive, upload.name)
        except _DAMAGED:
            yield upload.name, PhotoUnreadableError(upload.name, "is not a zip file, or damaged")


def _own(
    name: str, data: bytes | None, fault: str = ""
) -> tuple[str, bytes | PhotoUnreadableError]:
    """A file's own name and its bytes; an error where they were not read, or are too many."""
    name = PurePosixPath(name.replace("\\", "/")).name
    if data is not None and len(data) <= LARGEST_BYTES:
        return name, data
    limit = f"is over {LARGEST_BYTES // 1_000_000} MB, the most for one photo"
    return name, PhotoUnreadableError(name, fault or limit)


def _members(
    archive: zipfile.ZipFile, zip_name: str
) -> Iterator[tuple[str, bytes | PhotoUnreadableError]]:
    members = [m for m in archive.infolist() if _is_photo(m)]
    if not members:
        none = "holds no photos (JPEG, PNG, WebP, TIFF, HEIC)"
        yield zip_name, PhotoUnreadableError(zip_name, none)
    if len(members) > MOST_FILES:
        yield zip_name, PhotoUnreadableError(zip_name, f"holds over {MOST_FILES} photos")
        return
    for member in members:
        data, fault = None, ""
        try:
            if member.file_size <= LARGEST_BYTES:
                with archive.open(member) as file:
                    # the size in the list may lie: never read more than is allowed
                    data = file.read(LARGEST_BYTES + 1)
        except _DAMAGED:
            fault = "is damaged or locked in the zip"
        yield _own(member.filename, data, fault)


def _is_photo(member: zipfile.ZipInfo) -> bool:
    path = PurePosixPath(member.filename.replace("\\", "/"))
    parts = [part for part in path.parts if part.strip(".")]
    hidden = any(part.startswith((".", "__MACOSX")) for part in parts)
    return not member.is_dir() and not hidden and path.suffix.lower() in PHOTO_ENDINGS
