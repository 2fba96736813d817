"""Damaged annotations: whatever is in the file, the answer is truth or BadTruthError."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from fruitcount.errors import BadTruthError
from fruitcount.evaluate.truth import read_truth_json
from fruitcount.evaluate.truth_boxes import read_coco, read_voc, read_yolo

QUICK = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)

KEYS = [
    "photos", "images", "annotations", "categories", "fruit", "image", "image_id", "id", "x", "y",
    "r_px", "cls", "width", "height", "bbox", "file_name", "limb", "name", "category_id",
    "circle_px", "polyline_px", "visible", "on_limb", "iscrowd",
]  # fmt: skip

values = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 400) | st.floats() | st.text(max_size=4),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=6)
    ),
    max_leaves=20,
)


@QUICK
@given(values)
def test_any_json(tmp_path: Path, value: object) -> None:
    path = tmp_path / "notes.json"
    path.write_text(json.dumps(value))
    for reader in (read_coco, read_truth_json):
        with suppress(BadTruthError):
            reader(path)


GOOD_OURS = {
    "photos": [
        {"image": "a.jpg", "width": 9, "height": 9, "light": "sun",
         "limb": {"polyline_px": [[1, 2], [3, 4]], "length_mm": 3},
         "fruit": [{"x": 1, "y": 2, "r_px": 3, "cls": "green", "visible": 1, "on_limb": True}]}
    ]
}  # fmt: skip
GOOD_COCO = {
    "images": [{"id": 1, "file_name": "a.jpg", "width": 9, "height": 9}],
    "categories": [{"id": 1, "name": "fruit"}],
    "annotations": [
        {"id": 1, "image_id": 1, "category_id": 1, "bbox": [1, 2, 3, 4], "circle_px": [2, 2, 1]}
    ],
}


def places(value: object, at: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    items = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value)
        if isinstance(value, list)
        else ()
    )
    return [at, *(p for key, inner in items for p in places(inner, (*at, key)))]


def replaced(value: object, at: tuple[object, ...], new: object) -> object:
    if not at:
        return new
    copy = dict(value) if isinstance(value, dict) else list(value)  # type: ignore[call-overload]
    copy[at[0]] = replaced(copy[at[0]], at[1:], new)
    return copy


@pytest.mark.parametrize(
    "new", [None, "x", -1, 1e308, float("nan"), float("inf"), [], {}, [[]], "9" * 400]
)
@pytest.mark.parametrize("which", ["ours", "coco"])
def test_every_value_replaced_by_nonsense(tmp_path: Path, which: str, new: object) -> None:
    good, reader = (GOOD_OURS, read_truth_json) if which == "ours" else (GOOD_COCO, read_coco)
    path = tmp_path / "notes.json"
    for at in places(good):
        path.write_text(json.dumps(replaced(good, at, new)))
        with suppress(BadTruthError):
            for truth in reader(path):
                assert truth.width_px > 0
                assert truth.height_px > 0
                assert (truth.r_px > 0).all(), (at, new)
                assert not (truth.x_px != truth.x_px).any(), (at, new)


@QUICK
@given(st.binary(max_size=200))
def test_any_bytes(tmp_path: Path, data: bytes) -> None:
    Image.new("RGB", (20, 10)).save(tmp_path / "a.png")
    path = tmp_path / "a.txt"
    path.write_bytes(data)
    for read in (
        lambda: read_yolo(path, tmp_path / "a.png"),
        lambda: read_voc(path),
        lambda: read_coco(path),
        lambda: read_truth_json(path),
    ):
        with suppress(BadTruthError):
            read()


def test_not_a_photo_beside_the_boxes(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_text("not a photo")
    (tmp_path / "a.txt").write_text("")
    with pytest.raises(BadTruthError, match=r"a\.jpg"):
        read_yolo(tmp_path / "a.txt", tmp_path / "a.jpg")


def test_turned_photo_is_measured_upright(tmp_path: Path) -> None:
    image = Image.new("RGB", (40, 20))
    exif = image.getexif()
    exif[0x0112] = 6  # EXIF 2.32, tag Orientation: 6 is a quarter turn
    image.save(tmp_path / "a.jpg", exif=exif)
    (tmp_path / "a.txt").write_text("0 0.5 0.5 0.1 0.1")
    truth = read_yolo(tmp_path / "a.txt", tmp_path / "a.jpg")
    assert (truth.width_px, truth.height_px) == (20, 40)
