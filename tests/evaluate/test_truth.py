"""Readers of known fruit. Box conventions are those of the open standards named in each test."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from helpers import photos_folder
from PIL import Image

from fruitcount.errors import BadTruthError
from fruitcount.evaluate.truth import read_truth, read_truth_json
from fruitcount.evaluate.truth_boxes import read_coco, read_voc, read_yolo
from fruitcount.types import Kind


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    Image.new("RGB", (200, 100)).save(tmp_path / "a.png")
    return tmp_path


def test_yolo_box_is_shares_of_the_photo(folder: Path) -> None:
    # YOLO txt: class, centre x, centre y, width, height as shares of the photo.
    (folder / "a.txt").write_text("0 0.5 0.25 0.1 0.2\n\n1 0.1 0.9 0.02 0.04\n")
    truth = read_yolo(folder / "a.txt", folder / "a.png", fill_frac=0.5)
    assert (truth.width_px, truth.height_px) == (200, 100)
    # The share 0.5 of 200 columns is the border between pixels 99 and 100: 99.5.
    np.testing.assert_allclose(truth.x_px, [99.5, 19.5])
    np.testing.assert_allclose(truth.y_px, [24.5, 89.5])
    np.testing.assert_allclose(truth.half_w_px, [10, 2])
    np.testing.assert_allclose(truth.r_px, [5, 1])
    assert truth.asked_n == 2


def test_empty_yolo_is_a_photo_without_fruit_and_a_missing_one_is_left_out(folder: Path) -> None:
    (folder / "a.txt").write_text("")
    Image.new("RGB", (10, 10)).save(folder / "b.png")
    truths = read_truth(folder)
    assert [(t.name, len(t)) for t in truths] == [("a.png", 0)]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("0 0.5 0.5 0.1", "needs class"),
        ("0 a 0 0 0", "not a number"),
        ("0 1.5 0 0 0", "0 to 1"),
        ("0 nan 0 0 0", "0 to 1"),
    ],
)
def test_bad_yolo_names_file_line_and_rule(folder: Path, line: str, says: str) -> None:
    (folder / "a.txt").write_text("0 0.5 0.5 0.1 0.1\n" + line)
    with pytest.raises(BadTruthError, match=rf"a\.txt line 2.*{says}"):
        read_truth(folder)


VOC = """<annotation><filename>a.png</filename><size><width>200</width><height>100</height></size>
<object><name>apple</name><difficult>0</difficult>
<bndbox><xmin>1</xmin><ymin>1</ymin><xmax>20</xmax><ymax>10</ymax></bndbox></object>
<object><name>yellowing</name><difficult>1</difficult>
<bndbox><xmin>101</xmin><ymin>51</ymin><xmax>101</xmax><ymax>51</ymax></bndbox></object>
</annotation>"""


def test_voc_corners_are_one_based_and_included(folder: Path) -> None:
    # VOC2012 development kit: the top-left pixel is (1, 1); both corners belong to the box.
    (folder / "a.xml").write_text(VOC)
    truth = read_truth(folder)[0]
    np.testing.assert_allclose(truth.x_px, [9.5, 100])
    np.testing.assert_allclose(truth.y_px, [4.5, 50])
    np.testing.assert_allclose(truth.half_w_px, [10, 0.5])
    np.testing.assert_allclose(truth.half_h_px, [5, 0.5])
    assert truth.kind.tolist() == [Kind.FRUIT, Kind.YELLOWING]
    assert truth.ignore.tolist() == [False, True]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("<annotation>", "not xml"),
        ('<!DOCTYPE a [<!ENTITY b "c">]><annotation/>', "entity"),
        ("<annotation/>", "size/width"),
        (VOC.replace("<xmax>20", "<xmax>0"), "xmax"),
        (VOC.replace("<xmax>20", "<xmax>inf"), "finite"),
    ],
)
def test_bad_voc(folder: Path, text: str, says: str) -> None:
    (folder / "a.xml").write_text(text)
    with pytest.raises(BadTruthError, match=says):
        read_voc(folder / "a.xml")


def coco() -> dict[str, object]:
    return {
        "images": [
            {"id": 7, "file_name": "x/a.png", "width": 200, "height": 100},
            {"id": 9, "file_name": "b.png", "width": 20, "height": 10},
        ],
        "categories": [{"id": 1, "name": "damaged"}, {"id": 2, "name": "ignore"}],
        "annotations": [
            {"id": 1, "image_id": 7, "category_id": 1, "bbox": [0, 0, 20, 10]},
            {"id": 2, "image_id": 7, "category_id": 2, "bbox": [10, 10, 4, 4]},
            {"id": 3, "image_id": 7, "category_id": 1, "bbox": [10, 10, 4, 4], "iscrowd": 1},
        ],
    }


def test_coco_box_starts_at_the_outer_edge(folder: Path) -> None:
    # COCO data format: bbox is [x, y, width, height] from the image's top-left corner, 0-indexed.
    (folder / "notes.json").write_text(json.dumps(coco()))
    a, b = read_truth(folder)
    assert (a.name, b.name, len(b)) == ("a.png", "b.png", 0)
    np.testing.assert_allclose([a.x_px[0], a.y_px[0]], [9.5, 4.5])
    assert a.kind[0] == Kind.DAMAGED
    assert a.ignore.tolist() == [False, True, True]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"images": None}, "not COCO"),
        ({"annotations": [{"image_id": 5, "bbox": [0, 0, 1, 1]}]}, "image_id 5"),
        ({"annotations": [{"image_id": 7, "bbox": [0, 0, -1, 1]}]}, "width and height"),
        ({"annotations": [{"image_id": 7}]}, "bbox"),
        ({"annotations": ["a"]}, "not COCO"),
    ],
)
def test_bad_coco(folder: Path, change: dict[str, object], says: str) -> None:
    (folder / "notes.json").write_text(json.dumps(coco() | change))
    with pytest.raises(BadTruthError, match=says):
        read_coco(folder / "notes.json")


def test_our_truth_reads_all_that_is_drawn(tmp_path: Path) -> None:
    fruit = {"x": 5, "y": 6, "r_px": 3, "cls": "yellowing", "visible": 0.4, "on_limb": True}
    photo = {
        "image": "a.jpg", "width": 30, "height": 20, "light": "shade", "px_per_mm": 2.0,
        "card": {"id": 3}, "limb": {
            "polyline_px": [[0, 0], [3, 4]], "length_mm": 2.5, "base_diameter_mm": 9},
        "fruit": [fruit, {"x": 1, "y": 2, "r_px": 1, "cls": "ignore"},
                  {"x": 1, "y": 2, "r_px": 1, "diameter_mm": 12, "along_mm": 70}],
    }  # fmt: skip
    (tmp_path / "truth.json").write_text(json.dumps({"photos": [photo]}))
    truth = read_truth(tmp_path)[0]
    assert truth.ignore.tolist() == [True, True, False]
    assert truth.kind[0] == Kind.YELLOWING
    assert (truth.light, truth.px_per_mm, truth.limb_length_mm) == ("shade", 2.0, 2.5)
    assert truth.on_limb.tolist() == [1, -1, -1]
    assert truth.limb_line_px.shape == (2, 2)
    assert truth.diameter_mm[2] == 12


@pytest.mark.parametrize(
    "text",
    [
        "[]",
        "{",
        '{"photos": [{}]}',
        '{"photos": 3}',
        "[" * 100_000,
        "\ud800".encode("utf-16", "surrogatepass").decode("latin-1"),
    ],
)
def test_bad_truth_json(tmp_path: Path, text: str) -> None:
    (tmp_path / "truth.json").write_text(text)
    with pytest.raises(BadTruthError, match=r"truth\.json"):
        read_truth_json(tmp_path / "truth.json")


@pytest.mark.parametrize(("key", "value"), [("r_px", 0), ("cls", "blue"), ("r_px", float("nan"))])
def test_bad_fruit_in_truth_json(tmp_path: Path, key: str, value: object) -> None:
    fruit = {"x": 1, "y": 1, "r_px": 1} | {key: value}
    photo = {"image": "a.jpg", "width": 9, "height": 9, "fruit": [fruit]}
    (tmp_path / "truth.json").write_text(json.dumps({"photos": [photo]}))
    with pytest.raises(BadTruthError, match=key):
        read_truth(tmp_path)


def test_folder_without_annotations(tmp_path: Path) -> None:
    with pytest.raises(BadTruthError, match="no truth"):
        read_truth(tmp_path)
    with pytest.raises(BadTruthError, match="not a folder"):
        read_truth(tmp_path / "nothing")
    with pytest.raises(BadTruthError, match="fill_frac"):
        read_truth(tmp_path, fill_frac=0)


@pytest.mark.photos
@pytest.mark.parametrize(
    ("name", "photos_n", "objects_n"),
    # Counts as stated with the sets.
    [("cherry-fruitlets-bbch72", 520, 3361), ("cherry-bbch81", 590, 4009),
     ("apple-bbch76", 238, 4271), ("pear", 135, 1782)],
)  # fmt: skip
def test_real_sets_read_whole(name: str, photos_n: int, objects_n: int) -> None:
    truths = read_truth(photos_folder(name))
    assert (len(truths), sum(len(t) for t in truths)) == (photos_n, objects_n)
