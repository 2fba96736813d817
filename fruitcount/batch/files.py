"""Which photos a batch is of, and the hash that each is known by."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import Any

from fruitcount.errors import BadInputError
from fruitcount.measurement_record import plain

__all__ = ["PHOTO_SUFFIXES", "file_hash", "find_photos", "settings_key"]

_PICTURES = ("_plan.jpg", ".diagram.png")
PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif")


def find_photos(folder: str | Path) -> list[Path]:
    """All photos below a folder, in a stable order.

    A folder that cannot be opened is itself in the list, to be told of. Hidden files and folders
    are left out, and so are links to folders, which could lead round in a circle, and pictures
    that an earlier run drew: the folder of results may lie among the photos.

    Raises
    ------
    BadInputError
        When it is not a folder.
    """
    root = Path(folder)
    if not root.is_dir():
        raise BadInputError(f"folder must be a folder that exists, got {str(folder)!r}")
    found, open_ = [], [root]
    while open_:
        inside = open_.pop()
        try:
            folders, photos = _look_into(inside)
        except OSError:
            found.append(inside)  # told as one that cannot be opened, never passed over in silence
            continue
        open_ += folders
        found += photos
    return sorted(found, key=lambda p: p.relative_to(root).as_posix())


def _look_into(folder: Path) -> tuple[list[Path], list[Path]]:
    folders, photos = [], []
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.startswith("."):
                continue
            if entry.is_dir(follow_symlinks=False):
                folders.append(Path(entry.path))
            elif entry.is_symlink() and Path(entry.path).is_dir():
                continue
            elif Path(entry.name).suffix.lower() in PHOTO_SUFFIXES and not _our_picture(entry):
                photos.append(Path(entry.path))
    return folders, photos


def _our_picture(entry: os.DirEntry[str]) -> bool:
    """Whether it is a picture that an earlier run drew, beside that photo's record."""
    for ending in _PICTURES:
        if entry.name.endswith(ending):
            return Path(entry.path.removesuffix(ending) + ".json").is_file()
    return False


def file_hash(path: str | Path) -> str:
    """SHA-256 of a file's bytes, read piece by piece."""
    with open(path, "rb", opener=_without_waiting) as stream:
        if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
            raise OSError(f"{path}: not a file")
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _without_waiting(path: str, flags: int) -> int:
    # a pipe under a photo's name would keep the batch waiting for ever
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def settings_key(*parts: Any) -> str:
    """Short hash of settings: rows made with other settings are made again.

    Parameters
    ----------
    *parts : dataclasses, dicts or plain values
        All that the result depends on. NaN is the same as None; the order in a dict does not
        matter.
    """
    values: Any = [asdict(p) if is_dataclass(p) and not isinstance(p, type) else p for p in parts]
    if len(values) == 1:
        values = values[0]
    text = json.dumps(plain(values), sort_keys=True, ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()[:24]
