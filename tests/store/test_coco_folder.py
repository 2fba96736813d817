"""COCO and CSV carry everything: what comes back is what JSON brings back.

Key names are those of the COCO data format (cocodataset.org, object detection).
"""

import dataclasses
import functools
import json
import operator
import zipfile
from datetime import datetime

import numpy as np
import pytest
from helpers import add_edit, photo_bytes
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fruitcount.errors import RecordError
from fruitcount.export.record import write_coco
from fruitcount.flags import Flag
from fruitcount.measurement_record import (
    CocoPhoto,
    coco_object,
    measurement_to_dict,
    photos_from_coco,
    plain,
)
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.store.archive import find_damage, read_archive, write_archive
from fruitcount.store.base import open_store, writing
from fruitcount.store.limbs import save_limb, save_side_count
from fruitcount.store.open_folder import (
    COCO_FILE,
    read_coco_folder,
    read_csv_folder,
    write_coco_folder,
    write_csv_folder,
)
from fruitcount.store.orchard import save_tree
from fruitcount.store.photo_record import load_record, save_decision, save_measurement
from fruitcount.store.photos import PhotoPlace, save_photo
from fruitcount.store.tables import MeasurementRow
from fruitcount.types import Fruitlets, Limb, Measurement, Scale, Shoot

TOLD = st.floats(-50, 2000, allow_nan=False, width=64)
MAYBE = st.one_of(TOLD, st.just(float("nan")))
LINES = st.lists(st.tuples(TOLD, TOLD), max_size=4).map(lambda p: np.array(p).reshape(-1, 2))


@st.composite
def photos_seen(draw):
    """Any result the program can hold: fruit off the picture, NaN, flags, shoots, odd names."""
    n = draw(st.integers(0, 5))

    def column(values):
        return draw(st.lists(values, min_size=n, max_size=n))

    fruit = Fruitlets.from_columns(
        x_px=column(TOLD), y_px=column(TOLD), r_px=column(st.floats(0.5, 90)),
        score=column(MAYBE), kind=column(st.integers(0, 2)), yellow_frac=column(MAYBE),
        roundness_frac=column(MAYBE), visible_frac=column(MAYBE), diameter_mm=column(MAYBE),
        diameter_sd_mm=column(MAYBE), on_limb=column(st.integers(-1, 1)),
        shoot=column(st.integers(-1, 2)), along_px=column(MAYBE), along_mm=column(MAYBE),
        offset_px=column(MAYBE), cluster=column(st.integers(-1, 3)), by_hand=column(st.booleans()),
    )  # fmt: skip
    line = draw(LINES)
    flags = draw(st.lists(st.sampled_from(list(Flag)), max_size=3))
    flags = functools.reduce(operator.or_, flags, Flag.NONE)
    return Measurement(
        draw(st.text(max_size=12)), "ab" * 32, 1200, 900,
        draw(st.none() | st.datetimes(datetime(1990, 1, 1), datetime(2100, 1, 1))),
        Scale(draw(MAYBE), draw(MAYBE), "card", draw(LINES), draw(MAYBE), 7, draw(MAYBE),
              Flag.CARD_TILTED),
        fruit,
        Limb(line, np.full(len(line), draw(MAYBE)), draw(MAYBE), draw(MAYBE), draw(MAYBE),
             draw(MAYBE), draw(MAYBE), (Shoot(draw(LINES), draw(MAYBE)),), "caliper", True),
        flags, "trained",
    )  # fmt: skip


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(photos_seen(), max_size=3), st.integers(1, 12), st.booleans())
def test_coco_brings_back_what_json_does(measurement, month, typed):
    inputs = plain(dataclasses.asdict(GrowerInputs(ripening_month=month))) if typed else None
    body = json.loads(json.dumps(coco_object([CocoPhoto(s, inputs) for s in measurement]),
                                 allow_nan=False))  # fmt: skip
    again = photos_from_coco(body)
    assert [measurement_to_dict(p.measurement) for p in again] == [
        measurement_to_dict(s) for s in measurement
    ]
    assert all(p.inputs == inputs for p in again)


def test_what_another_program_changed_counts(measurement):
    fruit = measurement.fruitlets.with_columns(
        x_px=np.arange(7) * 100 + 100.5, y_px=np.full(7, 300.25), r_px=np.full(7, 20.125)
    )
    body = coco_object([CocoPhoto(dataclasses.replace(measurement, fruitlets=fruit))])
    notes = body["annotations"]
    notes[1]["bbox"] = [round(v) for v in notes[1]["bbox"]]  # rounded: not moved
    notes[2]["bbox"][0] += 30  # moved
    notes[3]["category_id"] = 2  # yellowing now
    del notes[4]
    notes.append({"id": 99, "image_id": 1, "category_id": 1, "bbox": [10, 10, 20, 20]})
    (photo,) = photos_from_coco(json.loads(json.dumps(body)))
    got = photo.measurement.fruitlets
    assert got.x_px == pytest.approx([100.5, 200.5, 330.5, 400.5, 600.5, 700.5, 19.5])
    assert got.diameter_mm[1] == fruit.diameter_mm[1]
    assert np.isnan(got.diameter_mm[2])  # a moved mark has to be measured again
    assert got.kind.tolist() == [0, 0, 0, 1, 0, 0, 0]
    assert photo.measurement.limb.line_px.tolist() == measurement.limb.line_px.tolist()


def test_a_counted_photo_and_its_answers(measurement, tmp_path):
    inputs = GrowerInputs(species="apricot", spacing_mm=80.0, cap=12)
    (photo,) = photos_from_coco(
        json.loads(
            write_coco([CocoPhoto(measurement, inputs)], tmp_path / "c.json").read_text("utf-8")
        )
    )
    assert measurement_to_dict(photo.measurement) == measurement_to_dict(measurement)
    assert GrowerInputs(**photo.inputs) == inputs


def _fill(store, measurement):
    from fruitcount.season.orchard import OrchardTree

    tree = save_tree(store, OrchardTree("=1", note="'a\n,\u2028"), year=2026)
    limb = save_limb(store, tree, name="'1", base_diameter_mm=0.1 + 0.2)
    one = save_photo(store, b"first", name="a.jpg", place=PhotoPlace(tree, limb, "back", "after"))
    two = save_photo(store, b"second", name="a.jpg")
    save_photo(store, b"third", name="not counted.heic")
    save_side_count(store, one, two, both_n=4)
    save_measurement(store, one, measurement)
    with writing(store) as session:  # an earlier version kept one a choice of settings
        body = measurement_to_dict(dataclasses.replace(measurement, source="trained"))
        session.add(MeasurementRow(photo_id=one, settings_key="new", body=body))
    save_measurement(store, two, measurement)
    add_edit(store, one, 0, {"text": "ä\u2028\n", "x": 0.1})
    save_decision(store, one, revision=1, inputs={"cap": 3}, decision={"keep_n": 3})


def _lines(store, path):
    with zipfile.ZipFile(write_archive(store, path)) as z:
        return z.read("records.jsonl")


@pytest.mark.parametrize(
    ("write", "read"), [(write_coco_folder, read_coco_folder), (write_csv_folder, read_csv_folder)]
)
def test_records_out_and_in(store, measurement, tmp_path, write, read):
    _fill(store, measurement)
    write(store, tmp_path / "out", photos=True)
    target = open_store(tmp_path / "new" / "o.db")
    assert read(target, tmp_path / "out") > 8
    assert _lines(target, tmp_path / "1.zip") == _lines(store, tmp_path / "2.zip")
    assert photo_bytes(target, 1) == b"first"
    assert find_damage(target) == []
    target.close()


@pytest.mark.parametrize("form", ["archive", "csv", "coco"])
def test_files_of_earlier_versions_call_measurements_seen(store, measurement, tmp_path, form):
    number = save_photo(store, b"first", name="a.jpg")
    save_measurement(store, number, measurement)
    out, target = tmp_path / "out", open_store(tmp_path / "new" / "o.db")
    if form == "archive":
        write_archive(store, out.with_suffix(".zip"))
        with zipfile.ZipFile(out.with_suffix(".zip")) as new, zipfile.ZipFile(out, "w") as old:
            for name in new.namelist():
                data = new.read(name)
                old.writestr(name, data.replace(b'"table": "measurement"', b'"table": "seen"'))
        read_archive(target, out)
    elif form == "csv":
        write_csv_folder(store, out, photos=True)
        (out / "measurement.csv").rename(out / "seen.csv")
        read_csv_folder(target, out)
    else:
        write_coco_folder(store, out, photos=True)
        text = (out / COCO_FILE).read_text(encoding="utf-8")
        older = text.replace('"table": "measurement"', '"table": "seen"')
        assert older != text
        (out / COCO_FILE).write_text(older, encoding="utf-8")
        read_coco_folder(target, out)
    kept = load_record(target, number).measurement
    assert measurement_to_dict(kept) == measurement_to_dict(measurement)
    target.close()


def test_the_coco_file_names_the_photos(store, measurement, tmp_path):
    _fill(store, measurement)
    write_coco_folder(store, tmp_path, photos=True)
    body = json.loads((tmp_path / COCO_FILE).read_text(encoding="utf-8"))
    assert len(body["images"]) == 2  # one a counted photo, though one was counted twice
    # of several results of an earlier version the first counts: corrections belong to it
    assert load_record(store, 1).measurement.source == measurement.source != "trained"
    for image in body["images"]:
        assert (tmp_path / image["file_name"]).is_file()


def test_a_moved_mark_comes_into_the_records(store, measurement, tmp_path):
    fruit = measurement.fruitlets.with_columns(x_px=np.full(7, 500.0), y_px=np.full(7, 500.0),
                                        r_px=np.full(7, 20.0))  # fmt: skip
    number = save_photo(store, b"first", name="a.jpg")
    save_measurement(store, number, dataclasses.replace(measurement, fruitlets=fruit))
    write_coco_folder(store, tmp_path)
    body = json.loads((tmp_path / COCO_FILE).read_text(encoding="utf-8"))
    body["annotations"][0]["bbox"][0] += 100
    (tmp_path / COCO_FILE).write_text(json.dumps(body), encoding="utf-8")
    target = open_store(tmp_path / "new" / "o.db")
    read_coco_folder(target, tmp_path)
    assert load_record(target, 1).measurement.fruitlets.x_px[:2] == pytest.approx([600, 500])
    target.close()


@pytest.mark.parametrize("change", ["{", "[]", "{}", '{"fruitcount_records": 3}', "null"])
def test_what_is_no_export(store, tmp_path, change):
    (tmp_path / COCO_FILE).write_text(change)
    with pytest.raises(RecordError, match=r"records\.coco\.json"):
        read_coco_folder(store, tmp_path)


def test_a_lost_photo_stops_the_export(store, measurement, tmp_path):
    _fill(store, measurement)
    next(store.photos_folder.glob("??/*")).unlink()
    for write in (write_coco_folder, write_csv_folder):
        with pytest.raises(RecordError, match="gone"):
            write(store, tmp_path / "out", photos=True)
        assert not [p for p in (tmp_path / "out").rglob("*") if p.is_file()]
