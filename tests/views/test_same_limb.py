"""``count --same-limb``: one record and a numbered picture a side, or a refusal in words."""

from __future__ import annotations

import json
import shutil

from click.testing import CliRunner

from fruitcount.cli.count import count_command
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.files import sample_folder
from fruitcount.image.opencv import cv2
from fruitcount.jobs.folder import FolderChoice, count_folder_to_files, folder_lines
from fruitcount.pipeline import CountSettings
from fruitcount.tree.run import BatchSettings


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


def test_a_folder_joins_the_photos_of_a_limb_in_its_pictures(tmp_path) -> None:
    photo, _ = draw_scene(21, SceneSettings(fruit_n=12))
    limb = tmp_path / "in" / "Gate" / "1"
    limb.mkdir(parents=True)
    middle = (photo.width_px / 2, photo.height_px / 2)
    for name, turn, zoom in (("front", 0, 1), ("below", 14, 0.85)):
        warp = cv2.getRotationMatrix2D(middle, turn, zoom)
        seen = cv2.warpAffine(
            photo.rgb, warp, (photo.width_px, photo.height_px), borderMode=cv2.BORDER_REFLECT
        )
        cv2.imwrite(str(limb / f"{name}.jpg"), cv2.cvtColor(seen, cv2.COLOR_RGB2BGR))
    settings, batch = CountSettings(source="classical"), BatchSettings(workers=1)
    choice = FolderChoice(tmp_path / "out", settings, batch=batch, pictures=True)
    lines = folder_lines(count_folder_to_files(tmp_path / "in", choice))
    (line,) = [line for line in lines if "different fruit" in line]
    assert line.startswith("Gate / 1: ")
    assert 10 <= int(line.split(": ")[1].split()[0]) <= 14  # 12 are drawn
    written = {file.name for file in (tmp_path / "out" / "Gate" / "1").iterdir()}
    assert {"below_side1.jpg", "front_side2.jpg"} <= written
    record = json.loads(next((tmp_path / "out" / "Gate" / "1").glob("*_limb.json")).read_text())
    assert [photo["name"] for photo in record["photos"]] == ["below.jpg", "front.jpg"]
