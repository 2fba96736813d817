"""Reading of training pictures and the split that no photo may cross."""

from __future__ import annotations

import json
import tarfile
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fruitcount.training.data import BOX_FILL, is_validation, photo_of, read_renders, read_tiles
from fruitcount.training.pack import pack


@pytest.fixture
def photos(tmp_path: Path) -> Path:
    """Two sets of drawn tiles with one box each."""
    rng = np.random.default_rng(3)
    for group in ("cherry-bbch81", "pear"):
        folder = tmp_path / group
        folder.mkdir()
        for name in ("a_0", "a_1", "b_0"):
            pixels = rng.integers(0, 255, (64, 80, 3)).astype(np.uint8)
            Image.fromarray(pixels).save(folder / f"{name}.jpg")
            (folder / f"{name}.txt").write_text("0 0.5 0.25 0.2 0.25\n")
    return tmp_path


def test_boxes_become_circles_of_the_set_s_fill(photos: Path) -> None:
    example = read_tiles(photos)[0]
    assert example.group == "cherry-bbch81"
    x, y, r, visible, yellow = example.fruit[0]
    # Box 16 x 16 px centred at (40, 16) counted from the corner: pixel centres lie 0.5 before.
    assert (x, y) == pytest.approx((39.5, 15.5))
    assert r == pytest.approx(8 * BOX_FILL["cherry-bbch81"])
    assert np.isnan([visible, yellow]).all()


def test_all_tiles_of_a_photo_are_on_one_side() -> None:
    assert photo_of("DJI_0012_7") == "DJI_0012"
    for number in range(200):
        sides = {is_validation("pear", photo_of(f"P{number}_{tile}")) for tile in range(8)}
        assert len(sides) == 1


def test_the_split_holds_back_about_15_in_100_and_never_moves() -> None:
    held = [is_validation("pear", f"P{n}") for n in range(4000)]
    # Binomial: one standard deviation is 0.6 in 100.
    assert np.mean(held) == pytest.approx(0.15, abs=0.02)
    assert [n for n in range(40) if held[n]] == [
        n for n in range(40) if is_validation("pear", f"P{n}")
    ]


def test_renders_with_masks_are_read(tmp_path: Path) -> None:
    pixels = np.zeros((30, 40, 3), np.uint8)
    Image.fromarray(pixels).save(tmp_path / "s1.jpg")
    Image.fromarray(np.full((30, 40), 128, np.uint8)).save(tmp_path / "s1_wood.png")
    fruit = [
        {"x": 10, "y": 12, "r_px": 5, "cls": "yellowing", "visible": 0.75},
        {"x": 20, "y": 12, "r_px": 5, "cls": "ignore", "visible": 0.9},
    ]
    (tmp_path / "truth.json").write_text(
        json.dumps({"photos": [{"image": "s1.jpg", "fruit": fruit}]})
    )
    example = read_renders(tmp_path)[0]
    assert example.fruit[:, 3].tolist() == [0.75, -1.0]
    assert example.fruit[:, 4].tolist() == [1.0, 0.0]
    assert (example.wood == 255).all()
    assert example.outline is None


def test_the_pack_takes_only_sets_that_may_train(photos: Path) -> None:
    (photos / "peach-phone").mkdir()
    Image.new("RGB", (20, 20)).save(photos / "peach-phone" / "x.jpg")
    out = photos / "out" / "data.tar"
    assert pack(photos, out) == out.stat().st_size
    with tarfile.open(out) as tar:
        names = tar.getnames()
    assert len(names) == 12
    assert not [n for n in names if "peach" in n]
    assert set(BOX_FILL).isdisjoint({"peach-phone"})
