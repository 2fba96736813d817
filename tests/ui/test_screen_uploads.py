"""Zips and files from a browser: names never become paths, one bad photo does not stop the rest."""

from __future__ import annotations

import io
import math
import zipfile

import pytest
import screen_cache
from screen_photos import photos_in
from screen_words import ask_number, plain
from tree_count import keep_photos, progress_words, told_by_name

from fruitcount.errors import PhotoUnreadableError
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.orchard import save_tree
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


def test_of_many_files_each_is_kept_once_or_answered_for(monkeypatch, tmp_path):
    monkeypatch.setattr("screen_photos.LARGEST_BYTES", 10)
    monkeypatch.setenv("FRUITCOUNT_DATA", str(tmp_path))
    store = screen_cache.records().store
    tree = save_tree(store, OrchardTree("T"), year=2026)
    given = [File(f"{k}.jpg", b"%d" % k) for k in range(27)]
    given += [File("same.jpg", b"3"), File("large.jpg", b"x" * 11), File("bad.zip", b"PK no")]
    bad = keep_photos(photos_in(given), tree)
    assert [line.partition(":")[0] for line in bad] == [
        "same.jpg is here already, as 3.jpg", "large.jpg", "bad.zip",
    ]  # fmt: skip
    assert len(screen_cache.records().photos(tree)) == 27
    store.close()


def test_the_bar_tells_the_time_left():
    assert progress_words(Progress(0, 9, 0, 0, math.nan)) == "0 of 9 photos"
    assert progress_words(Progress(1, 9, 0, 0, 72.0)) == "1 of 9 photos, about 72 s left"
    assert progress_words(Progress(1, 9, 0, 0, 300.0)) == "1 of 9 photos, about 5 min left"
    assert progress_words(Progress(9, 9, 0, 0, 0.0)) == "9 of 9 photos"


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


@pytest.mark.parametrize("per", [1.0, 10.0, 25.4, 28.349523125])
def test_a_number_survives_its_box(per):
    """Unchanged it stays as it was kept, whatever the unit shown rounds away."""

    class Box:
        def __init__(self, typed="as shown"):
            self.typed = typed

        def number_input(self, words, value, **more):
            return value if self.typed == "as shown" else self.typed

    assert ask_number("", 63.517, where=Box(), per=per) == 63.517
    assert ask_number("", None, where=Box(), per=per) is None
    assert ask_number("", 63.517, where=Box(3.5), per=per) == pytest.approx(3.5 * per)
    assert ask_number("", 63.517, where=Box(None), per=per) is None
    assert ask_number("", 63.517, where=Box(0.0), per=per) is None
    assert ask_number("", None, where=Box(0.0), per=per, zero=True) == 0.0


def test_a_users_text_is_never_markup():
    assert plain("<b>*x*</b> [a](b) :red[y]").count("\\") >= 10
    assert "\n" not in plain("a\nb")
