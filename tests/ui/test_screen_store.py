"""Photos in the records as the screen keeps them."""

from __future__ import annotations

import hashlib
import io
import json
from dataclasses import replace
from datetime import date, datetime

import numpy as np
import screen_engine as engine
from PIL import Image
from screen_photos import photo_at

from fruitcount.export.record import result_to_dict
from fruitcount.store.kept import open_records
from fruitcount.types import Fruitlets, Limb, Measurement, Scale


def with_place() -> bytes:
    """A photo that tells where it was taken; Pillow writes the tags."""
    exif = Image.Exif()
    exif.get_ifd(0x8825).update({1: "N", 2: (47.0, 22.0, 36.5), 3: "E", 4: (8.0, 32.0, 24.5)})
    out = io.BytesIO()
    grey = np.full((60, 80, 3), 128, np.uint8)
    Image.fromarray(grey).save(out, "JPEG", exif=exif)
    return out.getvalue()


def test_a_result_names_the_file_that_came_though_the_place_was_taken_out(tmp_path):
    data = with_place()
    came = hashlib.sha256(data).hexdigest()
    records = open_records(tmp_path)
    key = records.add_photo(data, "limb.jpg")
    stored = records.path(key).read_bytes()
    assert key == came != hashlib.sha256(stored).hexdigest()
    with Image.open(io.BytesIO(stored)) as kept:
        assert not kept.getexif().get_ifd(0x8825)
    photo = photo_at(records.path(key))
    measurement = Measurement(
        "limb.jpg", photo.sha256, 80, 60, None, Scale(), Fruitlets.empty(), Limb()
    )
    records.keep_seen(key, measurement)
    assert records.measurement(key).sha256 == came
    told = result_to_dict(engine.result(records.measurement(key), {}))
    assert json.dumps(told).count(came) == 1


def test_the_day_is_the_cameras_or_that_of_keeping(tmp_path):
    records = open_records(tmp_path)
    measurement = Measurement("a", "", 80, 60, None, Scale(), Fruitlets.empty(), Limb())
    told, untold = (records.add_photo(with_place() + tail, "a.jpg") for tail in (b"1", b"2"))
    records.keep_seen(told, replace(measurement, taken_at=datetime(2026, 4, 12, 9, 30)))
    records.keep_seen(untold, measurement)
    days = {line.key: line.taken_on for line in records.photos()}
    assert days[told] == date(2026, 4, 12)
    assert abs((days[untold] - date.today()).days) <= 1
