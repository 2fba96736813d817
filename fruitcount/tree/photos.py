"""Which photos a folder holds, which look the same, and the work on one: count it, sum it up."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Callable, Sequence
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fruitcount import __version__
from fruitcount.detect.heatmap_cnn import model_path
from fruitcount.errors import BadInputError
from fruitcount.flags import Flag, flag_names
from fruitcount.image.opencv import cv2
from fruitcount.image.photo import read_photo
from fruitcount.measurement_record import measurement_to_dict, plain
from fruitcount.pipeline import CountSettings, Result, count_limb, decide
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.results import result_row
from fruitcount.tree.card_code import read_card_code
from fruitcount.types import Measurement, Photo, Pixels

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
    found, shut = list[Path](), list[OSError]()
    for inside, folders, files in os.walk(root, onerror=shut.append):
        folders[:] = [name for name in folders if not name.startswith(".")]
        found += [path for name in files if _is_photo(path := Path(inside, name))]
    found += [Path(error.filename) for error in shut]
    return sorted(found, key=lambda p: p.relative_to(root).as_posix())


def _is_photo(path: Path) -> bool:
    if path.name.startswith(".") or path.suffix.lower() not in PHOTO_SUFFIXES:
        return False
    # an earlier run's picture lies beside that photo's record
    return not any(
        path.name.endswith(ending) and Path(str(path).removesuffix(ending) + ".json").is_file()
        for ending in _PICTURES
    )


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


_SIDE = 16
# Of 256 bits. Measured on 14 photos of peach limbs: shrunk and saved again at most 4 differ,
# lightened 8, darkened 12; between different photos, and between 47 of cherry trees, at least 100.
SAME_BITS = 32


def look_hash(pixels: Pixels) -> str:
    """64 hex letters that change little when the photo is saved again or shrunk.

    Parameters
    ----------
    pixels : uint8 array, shape (rows, columns, 3) or, of a grey photo, (rows, columns)
    """
    grey = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    small = cv2.resize(grey, (_SIDE * 4, _SIDE * 4), interpolation=cv2.INTER_AREA)
    waves = cv2.dct(small.astype(np.float32))[:_SIDE, :_SIDE].ravel()
    bits = waves > np.median(waves[1:])
    return np.packbits(bits).tobytes().hex()


def bits_apart(one: str, two: str) -> int:
    """How many of the 256 bits differ."""
    if len(one) != len(two):
        raise BadInputError(f"hashes must be of one length, got {len(one)} and {len(two)}")
    return (int(one, 16) ^ int(two, 16)).bit_count()


def same_looks(hashes: Sequence[str]) -> list[int]:
    """For each photo the index of the first earlier one that looks the same, or its own.

    Parameters
    ----------
    hashes : sequence of str
        From :func:`look_hash`; an empty one is like no other.
    """
    out: list[int] = []
    firsts: list[int] = []
    for i, h in enumerate(hashes):
        match = i
        if h:
            match = next((j for j in firsts if bits_apart(hashes[j], h) <= SAME_BITS), i)
        if match == i and h:
            firsts.append(i)
        out.append(match)
    return out


_ROW = 5  # goes up when a row says more than before, so that photos are done again


def count_photo(
    path: str,
    *,
    settings: CountSettings | None = None,
    inputs: GrowerInputs | None = None,
    with_measurement: bool = False,
    adjust: Callable[[Photo, Measurement], Measurement] | None = None,
) -> dict[str, Any]:
    """Read, count and decide one photo.

    Parameters
    ----------
    path : str
    settings : CountSettings, optional
    inputs : GrowerInputs, optional
    with_measurement : bool
        Put every mark into the row as well (``measurement``): for records, at about 50 kB a photo.
    adjust : callable, optional
        Changes what was seen before the decision, such as
        :func:`fruitcount.calibrate.adjusted`; importable by name.

    Returns
    -------
    dict
        The columns of :class:`fruitcount.results.ResultRow`, with ``look`` to find copies by
        and what the code on the card says: ``code_tree``, ``code_limb``.
    """
    photo = read_photo(path)
    result = count_limb(photo, settings, inputs)
    if adjust is not None:
        measurement = adjust(photo, result.measurement)
        result = Result(measurement, decide(measurement, inputs))
    row = result_row(result).values()
    row["look"] = look_hash(photo.rgb)
    code = read_card_code(photo.rgb, result.measurement.scale)
    row |= {"code_tree": code.place.tree, "code_limb": code.place.limb}
    if code.unread:
        row["flags"] = [*row["flags"], *flag_names(Flag.CARD_CODE_UNREAD)]
    if with_measurement:
        row["measurement"] = measurement_to_dict(result.measurement)
    return row


def count_key(settings: CountSettings | None = None, inputs: GrowerInputs | None = None) -> str:
    """Settings key of :func:`count_photo`: changes with settings, answers, version and net.

    Parameters
    ----------
    settings : CountSettings, optional
    inputs : GrowerInputs, optional
    """
    model = model_path()
    net = file_hash(model) if model.is_file() else ""
    rules = (settings or CountSettings(), inputs or GrowerInputs())
    return settings_key(__version__, _ROW, net, *rules)
