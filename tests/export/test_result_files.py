"""Pictures, records, rows and words of one result."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

import fruitcount.export.picture as strip
from fruitcount.errors import BadInputError
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.export import EXPORTS
from fruitcount.export.draw import text_size
from fruitcount.export.picture import _beside, _covered, annotated_picture
from fruitcount.export.words import ACTIONS, fruit_actions, result_lines
from fruitcount.files import safe_cell, sample_folder, write_table
from fruitcount.image.photo import read_photo
from fruitcount.jobs.count import CountChoice, count_again, count_files
from fruitcount.pipeline import CountSettings, count_limb
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.results import ROW_COLUMNS, result_row


@pytest.fixture(scope="module")
def drawn():
    photo, _ = draw_scene(8, SceneSettings(fruit_n=12))
    return photo, count_limb(photo, CountSettings(source="classical"))


def _jpeg(photo) -> bytes:
    out = io.BytesIO()
    Image.fromarray(photo.rgb).save(out, "JPEG", quality=92)
    return out.getvalue()


def test_picture_keeps_the_width_and_adds_words_below(drawn):
    photo, result = drawn
    picture = annotated_picture(photo, result, long_side_px=1200)
    assert picture.shape[1] == 1200
    assert picture.shape[0] > 1200 * photo.height_px / photo.width_px
    assert picture.dtype == np.uint8


def test_each_action_differs_in_shape_or_in_word():
    looks = [(style.shape, style.word) for style in ACTIONS.values()]
    assert len(set(looks)) == len(looks)
    told_apart = [ACTIONS[n].shape for n in ("keep", "pinch", "cut", "yellowing", "elsewhere")]
    assert len(set(told_apart)) == len(told_apart)


def test_marks_change_the_picture_where_the_fruit_is(drawn):
    photo, result = drawn
    picture = annotated_picture(photo, result, long_side_px=photo.width_px)
    fruit = result.measurement.fruitlets
    ring = []
    for x, y, r in zip(fruit.x_px, fruit.y_px, fruit.r_px, strict=True):
        row, column = round(y), round(x + r)
        if 0 <= row < photo.height_px and 0 <= column < photo.width_px:
            ring.append(np.abs(picture[row, column].astype(int) - photo.rgb[row, column]).max())
    assert np.median(ring) > 40


def test_every_fruit_has_a_known_action(drawn):
    actions = fruit_actions(drawn[1].measurement.fruitlets, drawn[1].decision.plan)
    assert len(actions) == len(drawn[1].measurement.fruitlets)
    assert set(actions) <= set(ACTIONS)


def test_words_lead_with_the_answer(drawn):
    lines = result_lines(drawn[1], "us")
    assert lines[1] == drawn[1].decision.plan.answer
    assert any("let nobody stand beneath" in line for line in lines)
    assert any(" in " in line or " lb" in line for line in lines)


def test_row_has_every_field_and_blanks_for_nan(drawn, tmp_path):
    row = result_row(drawn[1]).values()
    assert set(row) == set(ROW_COLUMNS)
    write_table(tmp_path / "t.csv", [row, {"photo": "=cmd()", "status": "failed: x"}], ROW_COLUMNS)
    with (tmp_path / "t.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert rows[0]["keep_n"] == str(drawn[1].decision.plan.keep_count)
    assert rows[1]["photo"] == "'=cmd()"
    assert "nan" not in {value.lower() for value in rows[0].values()}


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx"])
def test_cells_cannot_run_as_formulas(text):
    assert safe_cell(text) == "'" + text


def test_numbers_are_left_alone():
    assert safe_cell(-3) == -3


def test_photos_that_fail_are_rows_and_leave_no_files(drawn, tmp_path):
    good, bad = tmp_path / "good.jpg", tmp_path / "bad.jpg"
    good.write_bytes(_jpeg(drawn[0]))
    bad.write_bytes(b"no photo")
    told = []
    settings = CountSettings(source="classical")
    out = CountChoice(tmp_path / "out", settings, also=tuple(EXPORTS))
    failed = count_files(
        [good, bad], out, lambda path, _, written: told.append((path.name, len(written)))
    )
    assert failed == 1
    assert told == [("good.jpg", 2 + len(EXPORTS)), ("bad.jpg", 0)]
    names = {p.name for p in (tmp_path / "out").iterdir()}
    assert names == {"counts.csv", "good.json", "good_plan.jpg"} | {
        f"good{export.ending}" for export in EXPORTS.values()
    }
    with (tmp_path / "out" / "counts.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["status"].split(":")[0] for row in rows] == ["counted", "failed"]


def test_sheet_and_diagram_are_in_the_units_asked_for(drawn, tmp_path):
    pypdf = pytest.importorskip("pypdf")
    result = drawn[1]
    papers, diagrams = {}, {}
    for units in ("metric", "us"):
        EXPORTS["sheet"].write(result, tmp_path / f"{units}.pdf", units)
        EXPORTS["diagram"].write(result, tmp_path / f"{units}.png", units)
        page = pypdf.PdfReader(tmp_path / f"{units}.pdf").pages[0]
        words = " ".join(page.extract_text().split())
        assert ("in from the base" in words) == (units == "us")
        assert ("cm from the base" in words) == (units == "metric")
        papers[units] = round(float(page.mediabox.width))
        diagrams[units] = (tmp_path / f"{units}.png").read_bytes()
    assert papers == {"metric": 595, "us": 612}  # A4 (ISO 216) 210 mm, Letter 8.5 in, in points
    assert diagrams["metric"] != diagrams["us"]


def test_words_on_the_picture_keep_off_the_fruit():
    size = np.array([60.0, 20.0])
    fruit = np.array([[100.0, 100.0, 15.0]])
    assert _covered(np.array([100.0, 100.0]), size, fruit) == 15
    assert _covered(np.array([135.0, 100.0]), size, fruit) == 10  # 5 px from the centre to the box
    assert _covered(np.array([100.0, 126.0]), size, fruit) == 0
    assert _covered(np.array([100.0, 100.0]), size, np.zeros((0, 3))) == 0
    picture, ends = np.zeros((200, 300, 3), np.uint8), (np.array([90.0, 100]), np.array([90.0, 30]))
    letters = np.array(text_size("CUT 1", 18))
    usual = _beside(picture, ends, "CUT 1", 18, np.zeros((0, 3)))
    assert usual == pytest.approx((96, 100 - letters[1] / 2))  # a third of a letter to the right
    assert _covered(usual + letters / 2, letters, fruit) > 0
    moved = _beside(picture, ends, "CUT 1", 18, fruit)
    assert _covered(moved + letters / 2, letters, fruit) == 0


def test_no_place_of_taking_is_written(drawn, tmp_path):
    image = Image.fromarray(drawn[0].rgb)
    exif = image.getexif()
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2], gps[3], gps[4] = "N", (52.0, 30.0, 0.0), "E", (13.0, 24.0, 0.0)
    path = tmp_path / "here.jpg"
    image.save(path, "JPEG", exif=exif)
    out = CountChoice(tmp_path / "out", CountSettings(source="classical"))
    count_files([path], out)
    with Image.open(tmp_path / "out" / "here_plan.jpg") as written:
        assert not written.getexif()
    everything = b"".join(p.read_bytes() for p in (tmp_path / "out").iterdir())
    assert b"GPS" not in everything
    assert b"latitude" not in everything.lower()


def test_an_unknown_export_is_refused(tmp_path):
    with pytest.raises(BadInputError, match="export"):
        CountChoice(tmp_path, also=("powerpoint",))


@pytest.mark.skipif(not (sample_folder() / "truth.json").is_file(), reason="no samples here")
def test_no_length_stands_on_the_words_of_a_cut(monkeypatch):
    said = []
    monkeypatch.setattr(
        strip,
        "text",
        lambda _, words, at, *, size_px, **__: said.append(
            (words, np.array(at), np.array(text_size(words, size_px)))
        ),
    )
    photo = read_photo(sample_folder() / "peach-34in-heavy.jpg")  # its cut is 1 cm from a tick
    annotated_picture(photo, count_limb(photo), words=False)
    ((_, at, size),) = [box for box in said if box[0].startswith("CUT")]
    lengths = [box for box in said if box[0].endswith("0 cm")]
    assert len(lengths) > 5
    for words, there, wide in lengths:
        assert ((there + wide <= at) | (at + size <= there)).any(), words


def test_what_fell_between_the_passes_is_said(drawn):
    photo, result = drawn
    counted = int(result.measurement.fruitlets.counts_as_crop.sum())
    settings, inputs = CountSettings(source="classical"), GrowerInputs()
    for left, words in ((counted + 3, "3 of the"), (counted - 2, "2 more than the first pass")):
        again = count_again(photo, replace(result.decision.plan.first_pass, kept_count=left),
                            settings, inputs)  # fmt: skip
        assert any(line.startswith(words) for line in result_lines(again)), left
