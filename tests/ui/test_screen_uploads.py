"""Zips and files from a browser: names never become paths, one bad photo does not stop the rest."""

from __future__ import annotations

import io
import zipfile

import pytest
from screen_answers import from_shown, to_shown
from screen_uploads import Progress, photos_in, work_through
from screen_words import plain

from fruitcount.errors import PhotoUnreadableError


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
    monkeypatch.setattr("screen_uploads.LARGEST_BYTES", 10)
    found = list(photos_in([File("x.zip", b"PK no"), _zip({"a.jpg": b"x" * 11, "b.jpg": b"ok"})]))
    assert [type(data) for _, data in found] == [PhotoUnreadableError, PhotoUnreadableError, bytes]


def test_work_goes_on_past_a_bad_photo_and_tells_the_time_left():
    told, clock = [], iter(range(100))

    def work(name, _):
        if name == "bad":
            raise PhotoUnreadableError(name, "is no photo")

    photos = [("a", b"1"), ("bad", b"2"), ("c", PhotoUnreadableError("c", "is damaged"))]
    bad = work_through(photos, work, told.append, lambda: float(next(clock)))
    assert [fault.path for fault in bad] == ["bad", "c"]
    assert told[0].words == "0 of 3 photos"
    assert told[1].left_s == 2.0
    assert told[-1].done_n == 3
    assert Progress(1, 9, 300.0).words == "1 of 9 photos, about 5 min left"


@pytest.mark.parametrize("name", ["spacing_mm", "harvest_diameter_mm", "base_diameter_mm"])
@pytest.mark.parametrize("us", [False, True])
def test_lengths_survive_the_box(name, us):
    assert from_shown(name, to_shown(name, 63.5, us), us) == pytest.approx(63.5, abs=0.2)
    assert to_shown(name, None, us) is None
    assert from_shown(name, 0.0, us) is None


def test_a_users_text_is_never_markup():
    assert plain("<b>*x*</b> [a](b) :red[y]").count("\\") >= 10
    assert "\n" not in plain("a\nb")
