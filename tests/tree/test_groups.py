"""Whose photo it is, copies by their looks, and limbs that are not counted twice."""

import math
from collections import Counter
from pathlib import Path

import cv2
import numpy as np
import pytest

from fruitcount.errors import BadInputError
from fruitcount.tree.assignment import (
    Assigned,
    AssignmentRules,
    place_by_folder,
    place_by_name,
    read_sheet,
)
from fruitcount.tree.folder import estimate_trees
from fruitcount.tree.group import group_limbs
from fruitcount.tree.photos import bits_apart, look_hash, same_looks
from fruitcount.tree.sampling import draw_limbs


def test_by_folder():
    assert place_by_folder("/x/T1/limb 2/a.jpg", "/x") == Assigned("T1", "limb 2")
    assert place_by_folder("/x/a.jpg", "/x") == Assigned()
    # side and moment by whole words of the file's name, or of a folder below the limb's
    assert place_by_folder("/x/T1/2/front.jpg", "/x") == Assigned("T1", "2", "front")
    assert place_by_folder("/x/T/2/IMG_12-After back.jpg", "/x") == Assigned(
        "T", "2", "back", "after"
    )
    assert place_by_folder("/x/T/2/before/1.jpg", "/x") == Assigned("T", "2", "", "before")
    assert place_by_folder("/x/back/2/frontier.jpg", "/x") == Assigned("back", "2")
    assert place_by_folder("/x/T/2/front to back.jpg", "/x") == Assigned("T", "2")


@pytest.mark.parametrize(
    ("name", "pattern", "place"),
    [
        ("T1_3_front.jpg", "{tree}_{limb}_{side}", Assigned("T1", "3", "front")),
        ("T1_3_B.jpg", "{tree}_{limb}_{side}", Assigned("T1", "3", "back")),
        (
            "row 2 tree 14 (after).png",
            "row * tree {tree} ({moment})",
            Assigned("14", moment="after"),
        ),
        ("T1-3.jpg", "{tree}_{limb}", Assigned()),
        ("T1_3_up.jpg", "{tree}_{limb}_{side}", Assigned()),
        ("a+b_1.jpg", "a+{tree}_*", Assigned("b")),
    ],
)
def test_by_name(name, pattern, place):
    assert place_by_name(name, pattern) == place


def test_patterns_are_checked():
    for pattern in ("{colour}", "{tree}_{tree}"):
        with pytest.raises(BadInputError, match="pattern"):
            place_by_name("a", pattern)


def test_by_card():
    how, root = AssignmentRules("card", cards={0: Assigned("T0"), 7: Assigned("T7")}), Path("x")
    for number, place in (
        (7, Assigned("T7")),
        (0, Assigned("T0")),
        (-1, Assigned()),
        (None, Assigned()),
    ):
        told = how.place(root / "a.jpg", root, {"card_id": number})
        assert told == (place, "card" if place.tree else "")


def test_sheet(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("\ufefffile,tree,limb,side,moment\na.jpg,T1,2,f,before\nb\\c.jpg,T2,,,\n")
    assert read_sheet(path) == {
        "a.jpg": Assigned("T1", "2", "front", "before"), "b/c.jpg": Assigned("T2"),
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
    assert (one.count_n, one.mean_n) == (42, 38)
    assert one.left_out == ("1f copy",)
    assert one.base_diameter_mm == 31
    assert (after.moment, after.count_n) == ("after", 15)
    assert (two.count_n, two.left_out) == (20, ("bad",))
    assert math.isnan(three.count_n)


def test_copies_without_a_limb_name_are_one_limb():
    look = "0" * 64
    (only,) = group_limbs([_row("a", 5, look=look), _row("b", 6, look=look)])
    assert (only.count_n, only.files, only.left_out) == (5, ("a",), ("b",))


def _limb(name, moment, n):
    return {"file": f"{name}{moment}.jpg", "ok": True, "count_n": n, "tree": "T", "limb": name,
            "moment": moment}  # fmt: skip


def test_a_tree_is_estimated_as_it_was_before_thinning_and_apart_from_that_after():
    rows = [_limb("1", "", 20), _limb("2", "before", 30), _limb("1", "after", 11),
            _limb("2", "after", 9)]  # fmt: skip
    first, second = estimate_trees(rows, limbs_n=4)
    assert (first.moment, first.count.total.value_n) == ("before", 100)
    assert (second.moment, second.count.total.value_n) == ("after", 40)
    first, second = estimate_trees(rows[:3], limbs_n=4)  # other limbs are no change
    assert (first.count.total.value_n, second.count) == (100, None)
    assert "Other limbs" in second.why
    (none, _) = estimate_trees(rows)
    assert (none.count, "--limbs" in none.why) == (None, True)


def test_limbs_are_drawn_by_lot():
    names = [str(k) for k in range(1, 15)]
    drawn = [draw_limbs(names, 3, seed=k) for k in range(2000)]
    often = Counter(name for draw in drawn for name in draw)
    # each of 14 with a chance of 3/14: 428.6 of 2,000, standard deviation 18.4
    assert all(abs(often[name] - 428.6) < 4 * 18.4 for name in names)
    widths = np.arange(14.0) + 10
    for k in range(50):
        first, second, third = (int(x) for x in draw_limbs(names, 3, diameters_mm=widths, seed=k))
        assert first <= 5 < second <= 10 < third  # one thin, one middle, one thick
    with pytest.raises(BadInputError, match="draw must be from 1 to 14"):
        draw_limbs(names, 15)


def test_a_limb_of_copies_alone_says_whose():
    rows = [{"file": f, "ok": True, "count_n": 5, "tree": "T", "limb": f, "look": "f" * 16}
            for f in ("a", "b")]  # fmt: skip
    first, second = group_limbs(rows)
    assert (first.count_n, second.count_n) == (5, pytest.approx(float("nan"), nan_ok=True))
    assert second.how == "the same picture as a, counted there"
