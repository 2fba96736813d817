"""The place where a photo was taken is kept only by who asks; Pillow writes and reads the tags."""

import hashlib
import io
import zipfile

import numpy as np
import pytest
from helpers import location_in, photo_bytes
from PIL import Image
from sqlalchemy import text

from fruitcount.errors import RecordError
from fruitcount.image.photo import read_photo
from fruitcount.store.archive import delete_unused_files, find_damage, read_archive, write_archive
from fruitcount.store.base import open_store, writing
from fruitcount.store.open_folder import read_csv_folder, write_csv_folder
from fruitcount.store.photos import delete_photo, photo_file, save_photo


@pytest.fixture
def photo():
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8769)[0x9003] = "2026:05:02 08:09:10"
    exif.get_ifd(0x8825).update({1: "N", 2: (10.0, 20.0, 30.5), 3: "E", 4: (40.0, 50.0, 1.0)})
    out = io.BytesIO()
    Image.fromarray(np.arange(2400, dtype=np.uint8).reshape(20, 40, 3)).save(out, "JPEG", exif=exif)
    return out.getvalue()


def test_the_place_is_not_kept(store, photo):
    number = save_photo(store, photo, name="a.jpg")
    kept = photo_bytes(store, number)
    assert location_in(photo) is not None
    assert location_in(kept) is None
    assert read_photo(kept).taken_at is not None
    assert np.array_equal(read_photo(kept).rgb, read_photo(photo).rgb)
    # the photo is still known by the bytes it came with
    assert photo_file(store, number).name.startswith(hashlib.sha256(photo).hexdigest())
    assert save_photo(store, photo) == number
    assert find_damage(store) == []


def test_the_place_is_kept_when_asked_and_goes_again(store, photo):
    number = save_photo(store, photo, name="a.jpg", keep_location=True)
    assert photo_bytes(store, number) == photo
    save_photo(store, photo)
    assert location_in(photo_bytes(store, number)) is None
    save_photo(store, photo, keep_location=True)
    assert photo_bytes(store, number) == photo
    assert find_damage(store) == []


def test_damage_is_still_seen(store, photo):
    number = save_photo(store, photo, name="a.jpg")
    photo_file(store, number).write_bytes(photo)  # the original is not what was kept
    assert ["changed" in line for line in find_damage(store)] == [True]
    with pytest.raises(RecordError, match="changed"):
        photo_bytes(store, number)


def test_archives_lack_the_place_too(store, photo, tmp_path):
    number = save_photo(store, photo, name="a.jpg", keep_location=True)
    plain = write_archive(store, tmp_path / "plain.zip")
    full = write_archive(store, tmp_path / "full.zip", keep_location=True)
    assert photo_bytes(store, number) == photo  # the records are as they were
    for path, has_place in ((plain, False), (full, True)):
        with zipfile.ZipFile(path) as z:
            (name,) = [n for n in z.namelist() if n.startswith("photos/")]
            assert (location_in(z.read(name)) is not None) == has_place
    for k, (path, wish, has_place) in enumerate(
        [(plain, True, False), (full, False, False), (full, True, True)]
    ):
        new = open_store(tmp_path / f"new{k}" / "o.db")
        read_archive(new, path, keep_location=wish)
        assert (location_in(photo_bytes(new, 1)) is not None) == has_place
        assert find_damage(new) == []
        new.close()


def test_a_row_from_before_is_still_good(store, photo, tmp_path):
    """Up to version 2 the file was kept as it came, and there was no second hash."""
    number = save_photo(store, photo, name="a.jpg", keep_location=True)
    with writing(store) as session:
        session.execute(text("UPDATE photo SET file_sha256 = ''"))
    assert photo_bytes(store, number) == photo
    assert find_damage(store) == []
    new = open_store(tmp_path / "new.db")
    read_archive(new, write_archive(store, tmp_path / "a.zip"))
    assert location_in(photo_bytes(new, 1)) is None
    new.close()


def test_csv_from_before_is_read(store, photo, tmp_path):
    save_photo(store, photo, name="a.jpg", keep_location=True)
    write_csv_folder(store, tmp_path)
    path = tmp_path / "photo.csv"
    head, row = path.read_text().splitlines()
    at = head.split(",").index("file_sha256")
    cut = [",".join(c for k, c in enumerate(x.split(",")) if k != at) for x in (head, row)]
    path.write_text("\n".join(cut))
    new = open_store(tmp_path / "new.db", photos_folder=store.photos_folder)
    assert read_csv_folder(new, tmp_path) == 1
    assert find_damage(new) == []
    new.close()


def test_small_copies_belong_to_their_photo(store, photo):
    number = save_photo(store, photo, name="a.jpg")
    path = photo_file(store, number)
    small = path.with_name(f"{path.name}.320.jpg")
    small.write_bytes(b"small")
    stray = path.with_name(f"{'0' * 64}.jpg.320.jpg")
    stray.write_bytes(b"stray")
    assert find_damage(store) == [f"file {stray.name}: no photo in the records"]
    assert delete_unused_files(store) == 1
    assert small.exists()
    delete_photo(store, number)
    assert not list(path.parent.iterdir())
