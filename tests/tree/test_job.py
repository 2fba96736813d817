"""A folder in one call, with the real counting on drawn photos and with a stand-in."""

import csv

import cv2
import pytest
from batch_work import measure

from fruitcount.errors import BadInputError
from fruitcount.evaluate.synthetic import draw_scene
from fruitcount.measurement_record import measurement_from_dict
from fruitcount.pipeline import CountSettings
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.tree.assignment import Assigned, AssignmentRules
from fruitcount.tree.checkpoint import ProgressLog
from fruitcount.tree.folder import compare_moments, count_folder, write_rows
from fruitcount.tree.photos import count_key, count_photo
from fruitcount.tree.run import BatchSettings

SERIAL = BatchSettings(engine="serial")


@pytest.fixture
def folder(tmp_path):
    for name, size in {
        "T1/a/front.jpg": 40, "T1/a/back.jpg": 30, "T1/b/1.jpg": 12, "T2/1.jpg": 7, "=loose.jpg": 5,
    }.items():  # fmt: skip
        path = tmp_path / "photos" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(bytes([size]) * size)
    return tmp_path / "photos"


def count(folder, tmp_path, **how):
    progress_log = ProgressLog(tmp_path / "rows.jsonl", "k")
    got = count_folder(folder, measure, progress_log=progress_log, settings=SERIAL, **how)
    progress_log.close()
    return got


def test_by_folder(folder, tmp_path):
    got = count(folder, tmp_path)
    assert [(r["file"], r["tree"], r["limb"]) for r in got.rows] == [
        ("=loose.jpg", "", ""), ("T1/a/back.jpg", "T1", "a"), ("T1/a/front.jpg", "T1", "a"),
        ("T1/b/1.jpg", "T1", "b"), ("T2/1.jpg", "T2", ""),
    ]  # fmt: skip
    counts = {(x.tree, x.limb): x.count_n for x in got.limbs}
    # front and back are never added, and their mean is not taken: the better side
    assert counts == {("", "=loose.jpg"): 5, ("T1", "a"): 40, ("T1", "b"): 12,
                      ("T2", "T2/1.jpg"): 7}  # fmt: skip


def test_by_sheet_and_moments(folder, tmp_path):
    sheet = {
        "T1/a/front.jpg": Assigned("X", "1", "front", "before"),
        "back.jpg": Assigned("X", "1", "", "after"),
    }
    got = count(folder, tmp_path, naming=AssignmentRules("sheet", sheet=sheet))
    change = compare_moments(got.limbs)
    assert list(change) == [("X", "1")]
    before, after = change["X", "1"]
    assert before - after == 10


def test_a_pattern_leads_over_folders_and_clashes_are_listed(tmp_path):
    root = tmp_path / "photos"
    for k, name in enumerate(("Gate_1_front", "Gate_1_back", "Gate_2_front")):
        (root / "card 7").mkdir(parents=True, exist_ok=True)
        (root / "card 7" / f"{name}.jpg").write_bytes(bytes([40 - k]) * (40 - k))
    got = count(root, tmp_path, naming=AssignmentRules(pattern="{tree}_{limb}_{side}"))
    assert {(r["tree"], r["limb"], r["told_by"]) for r in got.rows} == {
        ("Gate", "1", "name"), ("Gate", "2", "name")}  # fmt: skip
    assert [x.count_n for x in got.limbs] == [40, 38]  # front and back are one limb
    assert all("'Gate' by its name, 'card 7' by its folder" in r["clash"] for r in got.rows)
    (root / "card 7" / "a copy of it.jpg").write_bytes(b"(" * 40)  # makes no tree of its folder
    got = count(root, tmp_path, naming=AssignmentRules(pattern="{tree}_{limb}_{side}"))
    assert {r["tree"] for r in got.rows} == {"Gate"}
    assert [x.count_n for x in got.limbs] == [40, 38]


def test_a_copy_with_a_bad_name_never_wins(tmp_path):
    root = tmp_path / "photos"
    for name in ("Gate/1/front.jpg", "Gate/1/Front copy of it.jpg", "a copy.jpg"):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(b"x" * 30)
    got = count(root, tmp_path)
    by_file = {r["file"]: r for r in got.rows}
    assert by_file["Gate/1/front.jpg"]["same_as"] in ("", "Gate/1/Front copy of it.jpg")
    assert by_file["a copy.jpg"]["same_as"].startswith("Gate/1/")
    assert [(x.tree, x.limb, x.count_n) for x in got.limbs] == [("Gate", "1", 30)]


def test_by_name(folder, tmp_path):
    got = count(folder, tmp_path, naming=AssignmentRules("name", pattern="{side}"))
    assert {r["file"]: r["side"] for r in got.rows}["T1/a/back.jpg"] == "back"
    with pytest.raises(BadInputError, match="by must be"):
        AssignmentRules("moon")


def test_table(folder, tmp_path):
    path = write_rows(count(folder, tmp_path).rows, tmp_path / "t.csv")
    with path.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 5
    assert rows[0]["file"] == "'=loose.jpg"
    assert rows[1]["ok"] == "yes"
    assert rows[1]["median_size_mm"] == ""


def test_real_counting(tmp_path):
    """A drawn limb, a photo that is none, and a copy saved again, through the real chain."""
    photo = cv2.cvtColor(draw_scene(3)[0].rgb, cv2.COLOR_RGB2BGR)
    folder = tmp_path / "photos" / "T1"
    folder.mkdir(parents=True)
    cv2.imwrite(str(folder / "limb.png"), photo)
    cv2.imwrite(str(folder / "saved again.jpg"), photo)
    (folder / "no photo.jpg").write_text("hello")
    progress_log = ProgressLog(tmp_path / "rows.jsonl", "k")
    got = count_folder(tmp_path / "photos", count_photo, progress_log=progress_log, settings=SERIAL)
    progress_log.close()
    one, bad, again = got.rows
    assert one["ok"]
    assert "is not a JPEG" in bad["problem"]
    assert one["count_n"] is not None
    assert again["look"] != ""
    limbs = [x for x in got.limbs if x.files]
    assert len(limbs) == 1  # the copy is not added
    assert "T1/saved again.jpg" in limbs[0].left_out
    row = count_photo(str(folder / "limb.png"), with_measurement=True)
    assert len(measurement_from_dict(row["measurement"]).fruitlets) >= row["count_n"]


def test_the_key_minds_what_the_result_depends_on():
    keys = {
        count_key(), count_key(CountSettings(min_score=0.4)),
        count_key(CountSettings(base_diameter_mm=30.0)), count_key(inputs=GrowerInputs(cap=5)),
    }  # fmt: skip
    assert len(keys) == 4
    assert count_key() == count_key(CountSettings(), GrowerInputs())
