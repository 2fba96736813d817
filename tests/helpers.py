"""Shared by all tests: compare fruit by pairing, never by order; find the photos folder."""

from __future__ import annotations

import io
import os
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import pi_heif
import pytest
from PIL import Image

from fruitcount.evaluate.match import nearest_first
from fruitcount.store.base import Store, must_get, reading
from fruitcount.store.kept import Event, Records
from fruitcount.store.photo_record import list_photos
from fruitcount.store.photos import checked_bytes
from fruitcount.store.tables import PhotoRow
from fruitcount.types import Fruitlets

ROOT = Path(__file__).resolve().parent.parent
PHOTOS = Path(os.environ.get("FRUITCOUNT_PHOTOS", ROOT.parent / "shared" / "photos"))


@dataclass(frozen=True, eq=False)
class Pairing:
    """Index pairs of two circle lists, and what is left over on either side."""

    first: np.ndarray
    second: np.ndarray
    only_first: np.ndarray
    only_second: np.ndarray


def location_in(photo: bytes | Path) -> tuple[float, float] | None:
    """Latitude and longitude that a file tells, north and east positive, as Pillow reads it."""
    data = photo if isinstance(photo, bytes) else photo.read_bytes()
    exif = Image.Exif()
    if data[4:8] == b"ftyp":
        exif.load(pi_heif.open_heif(io.BytesIO(data)).info["exif"] or b"")
    else:
        with Image.open(io.BytesIO(data)) as image:
            exif = image.getexif()
    gps = exif.get_ifd(0x8825)
    if not gps:
        return None
    latitude, longitude = (
        (a + b / 60 + c / 3600) * (-1 if gps[tag] in ("S", "W") else 1)
        for tag, (a, b, c) in ((1, gps[2]), (3, gps[4]))
    )
    return float(latitude), float(longitude)


def photos_folder(name: str) -> Path:
    """A folder of real photos, or skip the test with the reason."""
    folder = PHOTOS / name
    if not folder.is_dir():
        pytest.skip(f"no photos folder {name}: set FRUITCOUNT_PHOTOS")
    return folder


def match_circles(first: Fruitlets, second: Fruitlets, *, within_px: float = 3.0) -> Pairing:
    """Pair two lists of circles one to one, nearest first, no farther apart than ``within_px``."""
    distance = np.hypot(
        first.x_px[:, None] - second.x_px[None, :], first.y_px[:, None] - second.y_px[None, :]
    )
    second_of, first_of = nearest_first(distance, distance <= within_px)
    paired = np.nonzero(second_of >= 0)[0]
    return Pairing(
        paired, second_of[paired], np.nonzero(second_of < 0)[0], np.nonzero(first_of < 0)[0]
    )


def assert_fruitlets_close(
    found: Fruitlets,
    expected: Fruitlets,
    *,
    within_px: float = 3.0,
    columns: tuple[str, ...] = (),
    rtol: float = 1e-9,
    atol: float = 0.0,
) -> None:
    """Fail, saying what was lost and what appeared, unless both hold the same fruit.

    ``columns`` are compared pair by pair with the given tolerances; NaN equals NaN.
    """
    pairs = match_circles(found, expected, within_px=within_px)
    lost = [(round(expected.x_px[i], 1), round(expected.y_px[i], 1)) for i in pairs.only_second]
    new = [(round(found.x_px[i], 1), round(found.y_px[i], 1)) for i in pairs.only_first]
    assert len(lost) + len(new) == 0, f"lost {lost}; appeared {new}"
    for name in columns:
        np.testing.assert_allclose(
            np.asarray(getattr(found, name))[pairs.first],
            np.asarray(getattr(expected, name))[pairs.second],
            rtol=rtol,
            atol=atol,
            err_msg=name,
        )


def assert_same_fruitlets(found: Fruitlets, expected: Fruitlets) -> None:
    """Fail unless every column is equal, in order, NaN equal to NaN: for round trips."""
    assert len(found) == len(expected)
    for f in fields(Fruitlets):
        np.testing.assert_array_equal(getattr(found, f.name), getattr(expected, f.name), f.name)


def photo_bytes(store: Store, photo_id: int) -> bytes:
    """The bytes of a photo's file, checked against its row."""
    with reading(store) as session:
        row = must_get(session, PhotoRow, photo_id)
        return checked_bytes(store, row.sha256, row.suffix, row.file_sha256)


def add_step(store: Store, photo_id: int, base: int, step: dict[str, Any]) -> int:
    """Store one step of a photo's corrections on top of a revision; gives the new revision."""
    keys = {photo.number: photo.key for photo in list_photos(store)}
    Records(store).add_steps(keys[photo_id], [Event(base + 1, "test", base + 1, step)])
    return base + 1


def add_edit(store: Store, photo_id: int, base: int, edit: dict[str, Any]) -> int:
    """Store an edit; see :func:`add_step`."""
    return add_step(store, photo_id, base, {"do": edit})


def undo(store: Store, photo_id: int, base: int) -> int:
    """Take the last edit back; see :func:`add_step`."""
    return add_step(store, photo_id, base, {"undo": True})
