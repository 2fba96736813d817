"""Zips and files from a browser: names never become paths, one bad photo does not stop the rest."""

from __future__ import annotations

import io
import math
import zipfile

import pytest
from screen_answers import from_shown, to_shown
from screen_photos import photos_in
from screen_words import plain
from tree_count import progress_words, told_by_name

from fruitcount.errors import PhotoUnreadableError
from fruitcount.tree.run import Progress


class File:
    def __init__(self, name, data):
        self.name, self._data = name, data

    def getvalue(self):
        return self._data


def _zip(members):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return File("tree.zip", out.getvalue())


def test_names_are_bare_and_what_is_no_photo_is_passed_over():
    given = _zip(
        {
            "../../etc/a.jpg": b"1",
            "b\\c.PNG": b"2",
            "notes.txt": b"3",
            "__MACOSX/._a.jpg": b"4",
            "d/": b"",
            ".hidden.jpg": b"5",
        }
    )
    found = list(photos_in([given, File("C:\\photos\\e.jpg", b"6")]))
    assert found == [("a.jpg", b"1"), ("c.PNG", b"2"), ("e.jpg", b"6")]


def test_a_damaged_zip_and_a_huge_member_are_errors_in_their_place(monkeypatch):
    monkeypatch.setattr("screen_photos.LARGEST_BYTES", 10)
    found = list(photos_in([File("x.zip", b"PK no"), _zip({"a.jpg": b"x" * 11, "b.jpg": b"ok"})]))
    assert [type(data) for _, data in found] == [PhotoUnreadableError, PhotoUnreadableError, bytes]


def test_the_bar_tells_the_time_left():
    assert progress_words(Progress(0, 9, 0, 0, 0.0, math.nan)) == "0 of 9 photos"
    assert progress_words(Progress(1, 9, 0, 0, 9.0, 72.0)) == "1 of 9 photos, about 72 s left"
    assert progress_words(Progress(1, 9, 0, 0, 9.0, 300.0)) == "1 of 9 photos, about 5 min left"
    assert progress_words(Progress(9, 9, 0, 0, 9.0, 0.0)) == "9 of 9 photos"


@pytest.mark.parametrize(
    ("name", "place"),
    [
        ("3_front.jpg", ("3", "front", "")),
        ("low limb-b.jpg", ("low limb", "back", "")),
        ("7_after.jpg", ("7", "", "after")),
        ("7_before_front.jpg", ("7", "front", "before")),
        ("IMG_2041.jpg", ("", "", "")),
    ],
)
def test_a_file_name_may_tell_the_limb(name, place):
    told = told_by_name(name)
    assert (told.limb, told.side, told.moment) == place


@pytest.mark.parametrize("name", ["spacing_mm", "harvest_diameter_mm", "base_diameter_mm"])
@pytest.mark.parametrize("us", [False, True])
def test_lengths_survive_the_box(name, us):
    assert from_shown(name, to_shown(name, 63.5, us), us) == pytest.approx(63.5, abs=0.2)
    assert to_shown(name, None, us) is None
    assert from_shown(name, 0.0, us) is None


def test_a_users_text_is_never_markup():
    assert plain("<b>*x*</b> [a](b) :red[y]").count("\\") >= 10
    assert "\n" not in plain("a\nb")
