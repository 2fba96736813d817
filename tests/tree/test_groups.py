"""Whose photo it is, copies by their looks, and limbs that are not counted twice."""

import math

import cv2
import numpy as np
import pytest

from fruitcount.errors import BadInputError
from fruitcount.tree import (
    Place,
    bits_apart,
    estimate_trees,
    group_limbs,
    look_hash,
    place_by_card,
    place_by_folder,
    place_by_name,
    read_sheet,
    same_looks,
    seen_to_true,
    two_sides,
)


def test_by_folder():
    assert place_by_folder("/x/T1/limb 2/a.jpg", "/x") == Place("T1", "limb 2")
    assert place_by_folder("/x/a.jpg", "/x") == Place()
    # side and moment by whole words of the file's name, or of a folder below the limb's
    assert place_by_folder("/x/T1/2/front.jpg", "/x") == Place("T1", "2", "front")
    assert place_by_folder("/x/T/2/IMG_12-After back.jpg", "/x") == Place("T", "2", "back", "after")
    assert place_by_folder("/x/T/2/before/1.jpg", "/x") == Place("T", "2", "", "before")
    assert place_by_folder("/x/back/2/frontier.jpg", "/x") == Place("back", "2")
    assert place_by_folder("/x/T/2/front to back.jpg", "/x") == Place("T", "2")


@pytest.mark.parametrize(
    ("name", "pattern", "place"),
    [
        ("T1_3_front.jpg", "{tree}_{limb}_{side}", Place("T1", "3", "front")),
        ("T1_3_B.jpg", "{tree}_{limb}_{side}", Place("T1", "3", "back")),
        ("row 2 tree 14 (after).png", "row * tree {tree} ({moment})", Place("14", moment="after")),
        ("T1-3.jpg", "{tree}_{limb}", Place()),
        ("T1_3_up.jpg", "{tree}_{limb}_{side}", Place()),
        ("a+b_1.jpg", "a+{tree}_*", Place("b")),
    ],
)
def test_by_name(name, pattern, place):
    assert place_by_name(name, pattern) == place


def test_patterns_are_checked():
    for pattern in ("{colour}", "{tree}_{tree}"):
        with pytest.raises(BadInputError, match="pattern"):
            place_by_name("a", pattern)


def test_by_card():
    assert place_by_card(7, {7: Place("T7")}) == Place("T7")
    assert place_by_card(-1, {7: Place("T7")}) == Place()


def test_sheet(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("\ufefffile,tree,limb,side,moment\na.jpg,T1,2,f,before\nb\\c.jpg,T2,,,\n")
    assert read_sheet(path) == {
        "a.jpg": Place("T1", "2", "front", "before"), "b/c.jpg": Place("T2"),
    }  # fmt: skip
    for text, word in (
        ("file,limb\n", "tree"), ("file,tree,side\na,b,up\n", "side"),
        ("file,tree\na,b\na,c\n", "twice"), ("file,tree,moment\na,b,noon\n", "moment"),
    ):  # fmt: skip
        path.write_text(text)
        with pytest.raises(BadInputError, match=word):
            read_sheet(path)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadInputError):
        read_sheet(path)


def _scene(seed):
    rng = np.random.default_rng(seed)
    coarse = rng.integers(0, 255, (9, 12, 3), dtype=np.uint8)
    photo = cv2.resize(coarse, (640, 480), interpolation=cv2.INTER_CUBIC)
    for _ in range(30):
        at = (int(rng.integers(0, 640)), int(rng.integers(0, 480)))
        cv2.circle(photo, at, int(rng.integers(6, 20)), (60, 140, 50), -1)
    return photo


@pytest.mark.parametrize("seed", range(6))
def test_the_same_photo_saved_again_is_found(seed):
    photo = _scene(seed)
    data = cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, 60])[1]
    again = cv2.resize(cv2.imdecode(data, cv2.IMREAD_COLOR), (300, 225))
    lighter = np.clip(photo.astype(int) + 12, 0, 255).astype(np.uint8)
    one = look_hash(photo)
    assert bits_apart(one, look_hash(again)) <= 20
    assert bits_apart(one, look_hash(lighter)) <= 32
    for other in range(6, 12):
        assert bits_apart(one, look_hash(_scene(other))) > 60


def test_first_of_copies():
    a, b = "0" * 64, "f" * 64
    assert same_looks([a, b, "", a, "", b]) == [0, 1, 2, 0, 4, 1]


def _row(file, count, **more):
    return {"file": file, "ok": count is not None, "count_n": count, **more}


def test_sides_and_copies_are_not_added():
    rows = [
        _row("1f", 40, tree="T", limb="1", side="front", base_diameter_mm=30.0),
        _row("1b", 34, tree="T", limb="1", side="back", base_diameter_mm=32.0),
        _row("1f2", 44, tree="T", limb="1", side="front"),
        _row("1f copy", 40, tree="T", limb="1", side="front", same_as="1f"),
        _row("1 after", 15, tree="T", limb="1", side="front", moment="after"),
        _row("2", 20, tree="T", limb="2"),
        _row("bad", None, tree="T", limb="2"),
        _row("3", None, tree="T", limb="3"),
    ]
    one, after, two, three = group_limbs(rows)
    assert (one.count_n, one.low_n, one.high_n) == (42, 42, 76)
    assert one.left_out == ("1f copy",)
    assert one.base_diameter_mm == 31
    assert (after.moment, after.count_n) == ("after", 15)
    assert (two.count_n, two.left_out) == (20, ("bad",))
    assert math.isnan(three.count_n)
    (both, *_) = group_limbs(rows[:2], both_n={("T", "1", ""): 25})
    want = two_sides(40, 34, both_n=25)
    assert (both.count_n, both.var_n2) == (want.value_n, want.var_n2)


def test_copies_without_a_limb_name_are_one_limb():
    look = "0" * 64
    (only,) = group_limbs([_row("a", 5, look=look), _row("b", 6, look=look)])
    assert (only.count_n, only.files, only.left_out) == (5, ("a",), ("b",))


def test_limbs_to_a_tree():
    # constructed: 3 of 4 limbs, 5, 4, 3 cm2, fruit 50, 31, 22, all limbs 16 cm2 -> 137.3
    width = {n: 20 * math.sqrt(a / math.pi) for n, a in zip("abcd", (5, 4, 3, 4), strict=True)}
    limbs = group_limbs(
        [_row(n, c, tree="T", limb=n) for n, c in zip("abc", (50, 31, 22), strict=True)]
    )
    (got,) = estimate_trees(limbs, all_diameters_mm={"T": width})
    assert got.estimate.value_n == pytest.approx(137.333, abs=0.001)
    factor = seen_to_true([54, 108], [100, 200])
    (more,) = estimate_trees(limbs, all_diameters_mm={"T": width}, factor=factor)
    assert more.estimate.value_n == pytest.approx(137.333 / 0.54, abs=0.01)
    (plain,) = estimate_trees(limbs, limbs_n={"T": 4})
    assert plain.estimate.value_n == pytest.approx(4 * 103 / 3)
    (none,) = estimate_trees(limbs)
    assert none.estimate is None
    assert "diameters" in none.why
    (none,) = estimate_trees(limbs, all_diameters_mm={"T": {"z": 10.0}})
    assert "limb a" in none.why


def _limb(name, moment, n):
    rows = [{"file": f"{name}{moment}.jpg", "ok": True, "count_n": n, "tree": "T", "limb": name,
             "moment": moment}]  # fmt: skip
    return group_limbs(rows)[0]


def test_a_tree_is_estimated_as_it_was_before_thinning_and_apart_from_that_after():
    limbs = [_limb("1", "", 20), _limb("2", "before", 30), _limb("2", "after", 9)]
    first, second = estimate_trees(limbs, limbs_n={"T": 2})
    assert (first.moment, first.estimate.value_n) == ("before", 50)
    assert (second.moment, second.estimate.value_n) == ("after", 18)
    again = [*limbs, _limb("1", "before", 25)]  # one limb is not two for being photographed twice
    assert estimate_trees(again, limbs_n={"T": 2})[0].estimate.value_n == 55


def test_a_limb_of_copies_alone_says_whose():
    rows = [{"file": f, "ok": True, "count_n": 5, "tree": "T", "limb": f, "look": "f" * 16}
            for f in ("a", "b")]  # fmt: skip
    first, second = group_limbs(rows)
    assert (first.count_n, second.count_n) == (5, pytest.approx(float("nan"), nan_ok=True))
    assert second.how == "the same picture as a, counted there"
