"""``count --same-limb``: one record and a numbered picture a side, or a refusal in words."""

from __future__ import annotations

import json
import shutil

from click.testing import CliRunner

from fruitcount.cli.count import count_command
from fruitcount.files import sample_folder


def test_a_photo_twice_is_one_limb_with_each_fruit_once(tmp_path) -> None:
    first, again = tmp_path / "front.jpg", tmp_path / "again.jpg"
    shutil.copy(sample_folder() / "peach-18in-crowded.jpg", first)
    shutil.copy(first, again)
    out = tmp_path / "out"
    said = CliRunner().invoke(
        count_command,
        [
            str(first),
            str(again),
            "--same-limb",
            "--source",
            "classical",
            "--out",
            str(out),
            "--also",
            "coco",
        ],
    )
    assert said.exit_code == 0, said.output
    assert "One limb from 2 photos" in said.output
    assert {p.name for p in out.glob("*.jpg")} == {"front_side1.jpg", "again_side2.jpg"}
    record = json.loads(next(out.glob("*_limb.json")).read_text())
    coco = json.loads(next(out.glob("*_limb_coco.json")).read_text())
    ids = [[a["track_id"] for a in coco["annotations"] if a["image_id"] == k] for k in (1, 2)]
    assert set(ids[1]) - {None} <= set(ids[0])  # one id a fruit
    one, two = (photo["fruit_numbers"] for photo in record["photos"])
    assert one[0] == 1
    assert all(b in (a, None) for a, b in zip(one, two, strict=True))  # off the limb: base only


def test_other_limbs_are_refused_and_counted_one_by_one(tmp_path) -> None:
    names = ("peach-18in-crowded.jpg", "plum-clusters.jpg")
    photos = [str(sample_folder() / name) for name in names]
    out = tmp_path / "out"
    said = CliRunner().invoke(
        count_command, [*photos, "--same-limb", "--source", "classical", "--out", str(out)]
    )
    assert said.exit_code == 1
    assert "counted by itself" in said.output
    assert len(list(out.glob("*_plan.jpg"))) == 2
    assert not list(out.glob("*_limb.json"))


def test_one_photo_is_no_pair(tmp_path) -> None:
    said = CliRunner().invoke(count_command, [str(tmp_path / "a.jpg"), "--same-limb"])
    assert said.exit_code == 2
