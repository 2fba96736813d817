"""Records by the words of a command line."""

import pytest

from fruitcount.errors import RecordError
from fruitcount.store.base import data_folder, open_records, open_store
from fruitcount.store.photos import photo_file, save_photo


def test_the_screens_folder_is_the_usual_place(tmp_path, monkeypatch):
    monkeypatch.delenv("FRUITCOUNT_DATA", raising=False)
    assert data_folder().name == ".fruitcount"
    monkeypatch.setenv("FRUITCOUNT_DATA", str(tmp_path / "mine"))
    with pytest.raises(RecordError, match="no records here"):
        open_records()
    assert not (tmp_path / "mine").exists()
    store = open_records(create=True)
    number = save_photo(store, b"1")
    assert store.file == tmp_path / "mine" / "records.db"
    assert (tmp_path / "mine" / "photos") in photo_file(store, number).parents
    store.close()
    for where in (None, tmp_path / "mine", tmp_path / "mine" / "records.db"):
        again = open_records(where)
        assert photo_file(again, number).is_file()
        again.close()


def test_a_file_and_a_server(tmp_path, request):
    open_store(tmp_path / "o.db").close()
    store = open_records(tmp_path / "o.db")
    assert store.photos_folder == tmp_path / "o-photos"
    store.close()
    url = request.getfixturevalue("new_postgres")()
    with pytest.raises(RecordError, match="folder for photo files"):
        open_records(url)
    store = open_records(url, photos_folder=tmp_path / "p")
    assert save_photo(store, b"1") == 1
    store.close()
