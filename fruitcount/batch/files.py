"""Which photos a batch is of, and the hash that each is known by."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from fruitcount.errors import BadInputError

__all__ = ["PHOTO_SUFFIXES", "file_hash", "find_photos", "settings_key"]

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif")


def find_photos(folder: str | Path) -> list[Path]:
    """All photos below a folder, in a stable order.

    Hidden files and folders are left out, and so are links to folders, which could lead round in
    a circle.

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
        for path in open_.pop().iterdir():
            if path.name.startswith("."):
                continue
            if path.is_dir():
                if not path.is_symlink():
                    open_.append(path)
            elif path.suffix.lower() in PHOTO_SUFFIXES:
                found.append(path)
    return sorted(found, key=lambda p: p.relative_to(root).as_posix())


def file_hash(path: str | Path) -> str:
    """SHA-256 of a file's bytes, read piece by piece."""
    with Path(path).open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def settings_key(settings: dict[str, Any]) -> str:
    """Short hash of settings: rows made with other settings are made again.

    Parameters
    ----------
    settings : dict
        Plain JSON values; put the program's version in as well. Order does not matter.
    """
    text = json.dumps(settings, sort_keys=True, ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()[:24]
