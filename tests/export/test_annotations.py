"""COCO, YOLO and VOC writers: read back by the readers, and checked against each standard."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from fruitcount.evaluate.known import Truth
from fruitcount.evaluate.truth import read_truth
from fruitcount.evaluate.truth_boxes import read_coco, read_voc, read_yolo
from fruitcount.export.record import voc_xml, write_coco, yolo_text
from fruitcount.measurement_record import CocoPhoto, coco_object
from fruitcount.types import Fruitlets, Kind, Limb, Measurement, Scale


def measurement(fruitlets: Fruitlets, name: str = "a.png") -> Measurement:
    return Measurement(
        name, "0" * 64, 200, 100, datetime(2025, 5, 1, 9, 30), Scale(), fruitlets, Limb()
    )


def parse(text: str) -> ElementTree.Element:
    return ElementTree.fromstring(text)  # noqa: S314  (made by the writer under test)


def some() -> Fruitlets:
    return Fruitlets.from_columns(
        x_px=[50.0, 100.25, 1.0],
        y_px=[40.0, 60.5, 99.0],
        r_px=[10.0, 7.5, 5.0],
        score=[0.9, np.nan, 1.0],
        kind=[Kind.FRUIT, Kind.YELLOWING, Kind.DAMAGED],
        diameter_mm=[12.0, np.nan, 3.0],
    )


def read_back(folder: Path, kind: str, photo: Measurement) -> Truth:
    image = folder / photo.name
    Image.new("RGB", (photo.width_px, photo.height_px)).save(image)
    if kind == "coco":
        return read_coco(write_coco([CocoPhoto(photo)], folder / "notes.json"))[0]
    notes = folder / "notes"
    if kind == "yolo":
        notes.write_text(yolo_text(photo), encoding="utf-8")
        return read_yolo(notes, image, fill_frac=1.0)
    notes.write_text(voc_xml(photo), encoding="utf-8")
    return read_voc(notes, image, fill_frac=1.0)


@pytest.mark.parametrize(("kind", "within_px"), [("coco", 1e-9), ("yolo", 1e-4), ("voc", 0.51)])
def test_written_and_read_back(tmp_path: Path, kind: str, within_px: float) -> None:
    truth = read_back(tmp_path, kind, measurement(some()))
    assert len(truth) == 3
    np.testing.assert_allclose(truth.x_px[:2], [50, 100.25], atol=within_px)
    np.testing.assert_allclose(truth.y_px[:2], [40, 60.5], atol=within_px)
    np.testing.assert_allclose(truth.r_px[:2], [10, 7.5], atol=within_px)
    if kind != "yolo":  # YOLO txt has class numbers; its reader takes every class for fruit.
        assert truth.kind.tolist() == [0, 1, 2]


def test_coco_keys_and_values_by_hand() -> None:
    # COCO data format, object detection: required keys of images, categories and annotations.
    record = json.loads(json.dumps(coco_object([CocoPhoto(measurement(some()))]), allow_nan=False))
    assert {"images", "annotations", "categories", "info", "licenses"} <= set(record)
    assert {"id", "image_id", "category_id", "bbox", "area", "iscrowd", "segmentation"} <= set(
        record["annotations"][0]
    )
    assert record["annotations"][0]["bbox"] == [40.5, 30.5, 20, 20]
    # of the outline, a 24-gon: 12 r^2 sin(15 degrees), 98.9 % of the circle
    area = 12 * 100 * np.sin(np.pi / 12)
    assert record["annotations"][0]["area"] == pytest.approx(area, rel=1e-3)
    assert record["annotations"][2]["bbox"] == [0, 94.5, 6.5, 5.5]  # cut at two edges
    assert "score" not in record["annotations"][1]
    assert [c["name"] for c in record["categories"]] == ["fruit", "yellowing", "damaged"]
    assert record["images"][0]["date_captured"] == "2025-05-01 09:30:00"


def test_annotation_numbers_do_not_repeat() -> None:
    record = coco_object([CocoPhoto(measurement(some())), CocoPhoto(measurement(some(), "b.png"))])
    assert [n["id"] for n in record["annotations"]] == [1, 2, 3, 4, 5, 6]
    assert [n["image_id"] for n in record["annotations"]] == [1, 1, 1, 2, 2, 2]


def test_yolo_line_by_hand() -> None:
    one = Fruitlets.from_columns(x_px=[99.5], y_px=[24.5], r_px=[10.0])
    assert yolo_text(measurement(one)) == "0 0.5000000 0.2500000 0.1000000 0.2000000\n"


def test_voc_corners_by_hand() -> None:
    # Pixels 1 to 20 across, 1 to 20 down.
    one = Fruitlets.from_columns(x_px=[9.5, 0.0], y_px=[9.5, 0.0], r_px=[10.0, 3.0])
    root = parse(voc_xml(measurement(one)))
    boxes = [[int(c.text or "") for c in b] for b in root.iter("bndbox")]
    assert boxes[0] == [1, 1, 20, 20]
    assert [t.text for t in root.iter("truncated")] == ["0", "1"]


@pytest.mark.parametrize("kind", ["coco", "yolo", "voc"])
def test_no_fruit_is_a_file_without_boxes(tmp_path: Path, kind: str) -> None:
    assert len(read_back(tmp_path, kind, measurement(Fruitlets.empty()))) == 0


def test_a_yolo_folder_reads_as_truth(tmp_path: Path) -> None:
    Image.new("RGB", (200, 100)).save(tmp_path / "a.png")
    (tmp_path / "a.txt").write_text(yolo_text(measurement(some())))
    assert [len(t) for t in read_truth(tmp_path)] == [3]


@pytest.mark.parametrize("name", ['a <b> & "c".png', "plum\x00\x1b.png", "äpfel.png"])
def test_strange_names_stay_valid_xml(name: str) -> None:
    assert parse(voc_xml(measurement(some(), name))).findtext("filename")


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-50, 250), st.floats(-50, 150), st.floats(0.5, 60), st.integers(0, 2)),
        max_size=5,
    )
)
def test_boxes_never_leave_the_photo(rows: list[tuple[float, float, float, int]]) -> None:
    x, y, r, kind = np.array(rows, float).reshape(-1, 4).T
    photo = measurement(Fruitlets.from_columns(x_px=x, y_px=y, r_px=r, kind=kind.astype(int)))
    for note in coco_object([CocoPhoto(photo)])["annotations"]:
        left, top, width, height = note["bbox"]
        assert left >= 0
        assert top >= 0
        assert width > 0
        assert height > 0
        assert left + width <= 200 + 1e-9
        assert top + height <= 100 + 1e-9
    for line in yolo_text(photo).splitlines():
        assert all(0 <= float(v) <= 1 for v in line.split()[1:])
    for box in parse(voc_xml(photo)).iter("bndbox"):
        low_x, low_y, high_x, high_y = (int(c.text or "") for c in box)
        assert 1 <= low_x <= high_x <= 200
        assert 1 <= low_y <= high_y <= 100
