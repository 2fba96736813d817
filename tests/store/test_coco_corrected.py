"""A corrected photo's COCO annotations are the corrected marks; the records lose nothing by it.

Key names and what they mean are those of the COCO data format (cocodataset.org, "Data format",
object detection): ``bbox`` is [x, y, width, height] from the top-left corner, ``segmentation`` a
list of polygons [x1, y1, x2, y2, ...], ``area`` that of the segmentation, ``iscrowd`` 0 or 1.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from helpers import add_edit, undo

from fruitcount.corrections.apply import apply_corrections, corrected, sheet_of
from fruitcount.corrections.edits import (
    Add,
    Change,
    Many,
    Mark,
    Remove,
    ScaleChoice,
    SetLine,
    SetScale,
    apply,
    edit_to_json,
)
from fruitcount.export.record import write_coco
from fruitcount.flags import Flag
from fruitcount.measurement_record import CocoPhoto, measurement_to_dict, photos_from_coco
from fruitcount.store.archive import find_damage, write_archive
from fruitcount.store.base import open_store
from fruitcount.store.open_folder import COCO_FILE, read_coco_folder, write_coco_folder
from fruitcount.store.photo_record import load_record, save_measurement
from fruitcount.store.photos import photo_file, save_photo


@pytest.fixture
def placed(measurement):
    """Seven marks well inside the photo, 4 px per mm."""
    fruit = measurement.fruitlets.with_columns(
        x_px=np.arange(7) * 100 + 100.5, y_px=np.full(7, 300.25), r_px=np.full(7, 20.125),
        diameter_mm=np.full(7, 10.0),
    )  # fmt: skip
    return replace(measurement, fruitlets=fruit)


def _edits(measurement):
    """Mark 0 moved, 1 taken away, 2 called yellowing, and one added by hand."""
    marks = sheet_of(measurement).marks
    return [
        Change(marks[0], replace(marks[0], x_px=150.5, by_hand=True), "move"),
        Many((Remove(marks[1]), Add(Mark("hx-1", 900.0, 500.0, 30.0, by_hand=True)))),
        Change(marks[2], replace(marks[2], kind="yellowing", by_hand=True), "label"),
    ]


def _store_with(store, measurement):
    number = save_photo(store, b"first", name="a.jpg")
    save_measurement(store, number, measurement)
    for base, edit in enumerate(_edits(measurement)):
        body = {"client": "c1", "seq": base + 1, **edit_to_json(edit)}
        add_edit(store, number, base, body)
    return number


def _lines(store, path):
    import zipfile

    with zipfile.ZipFile(write_archive(store, path)) as z:
        return z.read("records.jsonl")


def _boxes(body):
    return sorted((tuple(n["bbox"]), n["category_id"]) for n in body["annotations"])


def _expected():
    """By hand: circle at (x, y), r, its pixel centres moved by a half to the outer corner."""

    def box(x, y, r):
        return (x + 0.5 - r, y + 0.5 - r, 2 * r, 2 * r)

    kept = [(box(100.5 + 100 * k, 300.25, 20.125), 1) for k in (3, 4, 5, 6)]
    moved, named = (box(150.5, 300.25, 20.125), 1), (box(300.5, 300.25, 20.125), 2)
    return sorted([*kept, moved, named, (box(900.0, 500.0, 30.0), 1)])


def test_annotations_are_the_corrected_marks_and_the_records_come_back(store, placed, tmp_path):
    number = _store_with(store, placed)
    write_coco_folder(store, tmp_path / "out", photos=True)
    body = json.loads((tmp_path / "out" / COCO_FILE).read_text(encoding="utf-8"))
    got = _boxes(body)
    assert [kind for _, kind in got] == [kind for _, kind in _expected()]
    np.testing.assert_allclose([b for b, _ in got], [b for b, _ in _expected()])
    (photo,) = photos_from_coco(body)  # both states
    assert measurement_to_dict(photo.automatic) == measurement_to_dict(placed)
    assert photo.measurement.fruitlets.x_px.max() == pytest.approx(900.0)
    target = open_store(tmp_path / "new" / "o.db")
    read_coco_folder(target, tmp_path / "out")
    assert _lines(target, tmp_path / "1.zip") == _lines(store, tmp_path / "2.zip")
    assert find_damage(target) == []
    sheet = load_record(target, number)
    assert measurement_to_dict(sheet.measurement) == measurement_to_dict(placed)
    assert sheet.edits == load_record(store, number).edits
    target.close()


def test_edits_taken_back_and_those_of_others_leave_the_automatic_marks(store, placed, tmp_path):
    number = save_photo(store, b"first", name="a.jpg")
    save_measurement(store, number, placed)
    add_edit(store, number, 0, edit_to_json(_edits(placed)[0]))
    undo(store, number, 1)
    other = save_photo(store, b"second", name="b.jpg")
    save_measurement(store, other, placed)
    add_edit(store, other, 0, {"text": "not of the screen"})
    write_coco_folder(store, tmp_path / "out")
    body = json.loads((tmp_path / "out" / COCO_FILE).read_text(encoding="utf-8"))
    assert len(body["annotations"]) == 14
    assert all(photo.automatic is None for photo in photos_from_coco(body))
    target = open_store(tmp_path / "new" / "o.db", photos_folder=store.photos_folder)
    read_coco_folder(target, tmp_path / "out")
    assert _lines(target, tmp_path / "1.zip") == _lines(store, tmp_path / "2.zip")
    target.close()


def test_what_another_program_changed_is_one_more_step(store, placed, tmp_path):
    number = _store_with(store, placed)
    write_coco_folder(store, tmp_path / "out", photos=True)
    path = tmp_path / "out" / COCO_FILE
    body = json.loads(path.read_text(encoding="utf-8"))
    notes = {round(n["circle_px"][0]): n for n in body["annotations"]}
    notes[900]["bbox"][0] += 50  # moved
    notes[400]["category_id"] = 3  # damaged
    body["annotations"].remove(notes[500])
    body["annotations"].append(
        {"id": 99, "image_id": 1, "category_id": 1, "bbox": [10, 10, 20, 20], "area": 400,
         "iscrowd": 0, "segmentation": []}
    )  # fmt: skip
    path.write_text(json.dumps(body), encoding="utf-8")
    target = open_store(tmp_path / "new" / "o.db")
    read_coco_folder(target, tmp_path / "out")
    sheet = load_record(target, number)
    assert measurement_to_dict(sheet.measurement) == measurement_to_dict(
        placed
    )  # the automatic result is as it was
    assert sheet.revision == 4
    write_coco_folder(target, tmp_path / "again", photos=True)
    again = json.loads((tmp_path / "again" / COCO_FILE).read_text(encoding="utf-8"))
    found = sorted((round(n["circle_px"][0], 1), n["category_id"]) for n in again["annotations"])
    assert found == [(19.5, 1), (150.5, 1), (300.5, 2), (400.5, 3), (600.5, 1), (700.5, 1),
                     (950.0, 1)]  # fmt: skip
    assert undo(target, number, 4) == 5  # and can be taken back
    write_coco_folder(target, tmp_path / "back")
    back = json.loads((tmp_path / "back" / COCO_FILE).read_text(encoding="utf-8"))
    np.testing.assert_allclose([b for b, _ in _boxes(back)], [b for b, _ in _expected()])
    target.close()


def test_a_scale_set_by_hand_tells_the_diameters(store, placed):
    """2 r / (px per mm): 40.25 px at 5 px per mm are 8.05 mm; measured ones go by the ratio."""
    number = save_photo(store, b"first", name="a.jpg")
    save_measurement(store, number, placed)
    was = sheet_of(placed).scale
    new = ScaleChoice("two points", 5.0, 0.01, ((0, 0), (100, 0)), 20.0, by_hand=True)
    marks = sheet_of(placed).marks
    steps = [SetScale(was, new), Change(marks[0], replace(marks[0], r_px=25.0), "resize")]
    for base, edit in enumerate(steps):
        add_edit(store, number, base, edit_to_json(edit))
    shown = corrected(placed, load_record(store, number).edits, photo_file(store, number))
    assert shown.scale.px_per_mm == 5.0
    assert shown.fruitlets.diameter_mm[0] == pytest.approx(10.0)  # 50 px
    ratio = placed.scale.px_per_mm / 5.0
    np.testing.assert_allclose(shown.fruitlets.diameter_mm[1:], 10.0 * ratio)


@pytest.mark.filterwarnings("ignore:__array__ impl:DeprecationWarning")  # the reader's own
def test_a_general_reader_draws_boxes_and_masks(placed, tmp_path):
    """pycocotools, the format's own reader: indexes the file, and fills each outline."""
    coco = pytest.importorskip("pycocotools.coco", reason="pycocotools is not installed")
    fruit = placed.fruitlets.with_columns(x_px=np.array([100, 300, 0, 1199, 600, 700, 800.0]))
    path = write_coco([CocoPhoto(replace(placed, fruitlets=fruit))], tmp_path / "c.json")
    read = coco.COCO(str(path))
    notes = read.loadAnns(read.getAnnIds(imgIds=[1]))
    assert len(notes) == 7
    assert {c["name"] for c in read.loadCats(read.getCatIds())} == {"fruit", "yellowing", "damaged"}
    for note in notes:
        mask = read.annToMask(note)
        assert mask.shape == (900, 1200)
        rows, columns = np.nonzero(mask)
        left, top, width, height = note["bbox"]
        assert abs(columns.min() - left) <= 1.5
        assert abs(columns.max() + 1 - left - width) <= 1.5
        assert abs(rows.min() - top) <= 1.5
        assert abs(rows.max() + 1 - top - height) <= 1.5
        assert mask.sum() == pytest.approx(note["area"], rel=0.03)
    # a quarter turn of a 24-gon: its area is 12 r^2 sin(15 degrees), 98.9 % of the circle
    whole = notes[0]["area"]
    assert whole == pytest.approx(12 * 20.125**2 * math.sin(math.pi / 12), rel=1e-3)
    # at the photo's left edge half of the circle is left, and half a pixel
    half = notes[2]["area"]
    assert whole / 2 < half < whole / 2 + 41


def test_the_file_has_the_formats_shape(placed, tmp_path):
    """Structure as published for object detection; without any reader."""
    body = json.loads(
        write_coco([CocoPhoto(placed)], tmp_path / "c.json").read_text(encoding="utf-8")
    )
    assert {"info", "images", "annotations", "categories", "licenses"} <= set(body)
    (image,) = body["images"]
    assert {"id", "width", "height", "file_name"} <= set(image)
    names = {c["id"]: c["name"] for c in body["categories"]}
    assert len({n["id"] for n in body["annotations"]}) == len(body["annotations"]) == 7
    for note in body["annotations"]:
        assert note["image_id"] == image["id"]
        assert note["category_id"] in names
        assert note["iscrowd"] == 0
        x, y, w, h = note["bbox"]
        (polygon,) = note["segmentation"]
        xs, ys = polygon[::2], polygon[1::2]
        assert len(xs) == len(ys) >= 3
        assert (min(xs), max(xs)) == pytest.approx((x, x + w), abs=0.01)
        assert (min(ys), max(ys)) == pytest.approx((y, y + h), abs=0.01)
        assert 0 <= x <= x + w <= image["width"]
        assert 0 <= y <= y + h <= image["height"]


def test_a_new_scale_and_line_tell_the_same_in_coco_and_on_the_screen(store, tmp_path):
    """A drawn limb photo, its line drawn anew, twice the pixels a millimetre: lengths by hand."""
    import cv2
    import screen_engine as engine

    from fruitcount.evaluate.synthetic import draw_scene
    from fruitcount.pipeline import CountSettings, measure

    photo, _ = draw_scene(7)
    path = tmp_path / "limb.png"
    cv2.imwrite(str(path), cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2BGR))
    found = measure(photo, CountSettings(source="classical"))
    start = sheet_of(found)
    line = ((100.0, 300.0), (400.0, 700.0))  # 500 px long
    choice = ScaleChoice("two points", 2 * found.scale.px_per_mm, 0.01, typed_mm=50, by_hand=True)
    steps = [SetScale(start.scale, choice), SetLine(start.line_px, line, start.line_by_hand, True)]
    number = save_photo(store, path.read_bytes(), name="limb.png")
    save_measurement(store, number, found)
    sheet = start
    for base, edit in enumerate(steps):
        add_edit(store, number, base, edit_to_json(edit))
        sheet = apply(sheet, edit)
    write_coco_folder(store, tmp_path / "out", photos=True)
    body = json.loads((tmp_path / "out" / COCO_FILE).read_text(encoding="utf-8"))
    (coco,) = (one.measurement for one in photos_from_coco(body))
    screen = engine.corrected(found, sheet, path, {})
    assert measurement_to_dict(coco) == measurement_to_dict(screen)
    assert screen.limb.length_mm == pytest.approx(500 / choice.px_per_mm, rel=0.02)
    np.testing.assert_allclose(
        screen.fruitlets.diameter_mm, found.fruitlets.diameter_mm / 2, rtol=1e-3
    )


def test_sizes_out_of_range_are_flagged_after_a_correction_too(placed):
    """Ten pixels to a millimetre make fruit of 4 px: the doubt must not be lost."""
    tiny = ScaleChoice("two points", 20.0, 0.01, typed_mm=5, by_hand=True)
    sheet = apply(sheet_of(placed), SetScale(sheet_of(placed).scale, tiny))
    assert Flag.SIZES_OUT_OF_RANGE in apply_corrections(placed, sheet).flags
    assert Flag.SIZES_OUT_OF_RANGE not in apply_corrections(placed, sheet_of(placed)).flags
