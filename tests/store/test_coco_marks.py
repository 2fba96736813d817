"""COCO out of the records and back in."""

import json

import numpy as np
import pytest

from fruitcount.errors import RecordError
from fruitcount.export.record import write_coco
from fruitcount.measurement_record import KIND_NAMES, CocoPhoto, coco_object, photos_from_coco
from fruitcount.store.photo_record import load_record, save_measurement
from fruitcount.store.photos import save_photo
from fruitcount.types import Kind


def _marks(path):
    photos = photos_from_coco(json.loads(path.read_text("utf-8")))
    return {photo.file_name: photo.measurement.fruitlets for photo in photos}


def test_out_and_in(store, measurement, tmp_path):
    kinds = np.arange(len(measurement.fruitlets)) % 3
    whole = measurement.fruitlets.with_columns(
        x_px=np.linspace(100, 1000, 7) + 1 / 3, y_px=np.full(7, 400.25), kind=kinds
    )
    number = save_photo(store, b"1", name="limb.jpg")
    save_measurement(store, number, type(measurement)(**{**vars(measurement), "fruitlets": whole}))
    path = write_coco([CocoPhoto(load_record(store, number).measurement)], tmp_path / "c.json")
    got = _marks(path)["limb.jpg"]
    for name in ("x_px", "y_px", "r_px", "kind", "score", "diameter_mm"):
        np.testing.assert_array_equal(getattr(got, name), getattr(whole, name), name)


def test_class_names_are_ours():
    assert [name.lower() for name in KIND_NAMES] == [kind.name.lower() for kind in Kind]


@pytest.mark.parametrize("change", ["[]", '{"images": []}', "null"])
def test_what_is_no_coco(tmp_path, change):
    path = tmp_path / "c.json"
    path.write_text(change)
    with pytest.raises(RecordError, match="COCO"):
        _marks(path)


def test_a_box_that_is_none(measurement, tmp_path):
    path = tmp_path / "c.json"
    body = coco_object([CocoPhoto(measurement)])
    body["annotations"].append({"image_id": 1, "category_id": 1, "bbox": [1, 1, 0, 5]})
    path.write_text(json.dumps(body))
    with pytest.raises(RecordError, match="no circle"):
        _marks(path)
