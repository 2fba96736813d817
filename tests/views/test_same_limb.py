"""``count --same-limb``: one record and a numbered picture a side, or a refusal in words."""

from __future__ import annotations

import json
import shutil

from click.testing import CliRunner

from fruitcount.cli.count import count_command
from fruitcount.resources import sample_folder


def test_a_photo_twice_is_one_limb_with_each_fruit_once(tmp_path) -> None:
    first, again = tmp_path / "front.jpg", tmp_path / "again.jpg"
    shutil.copy(sample_folder() / "peach-18in-crowded.jpg", first)
    shutil.copy(first, again)
    out = tmp_path / "out"
    said = CliRunner().invoke(
        count_command,
        [str(first), str(again), "--same-limb", "--source", "classical", "--out", str(out)],
    )
    assert said.exit_code == 0, said.output
    assert "One limb from 2 photos" in said.output
    assert {p.name for p in out.glob("*.jpg")} == {"front_side1.jpg", "again_side2.jpg"}
    record = json.loads(next(out.glob("*_limb.json")).read_text())
    one, two = (photo["fruit_numbers"] for photo in record["photos"])
    assert one[0] == 1
    assert all(b in (a, None) for a, b in zip(one, two, strict=True))  # off the limb: base only


def test_one_photo_is_no_pair(tmp_path) -> None:
    said = CliRunner().invoke(count_command, [str(tmp_path / "a.jpg"), "--same-limb"])
    assert said.exit_code == 2
