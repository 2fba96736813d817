"""Which photos a batch is of, and the hash that each is known by."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import Any

from fruitcount.errors import BadInputError
from fruitcount.seen_record import plain

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
