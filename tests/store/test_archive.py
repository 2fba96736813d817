"""Export and import without loss, from either database into either."""

import csv
import json
import os
import zipfile

import pytest
from helpers import add_edit, photo_bytes
from store_facts import TREE

from fruitcount.errors import RecordError
from fruitcount.season.orchard import OrchardTree
from fruitcount.store import base, open_folder, rows
from fruitcount.store.archive import find_damage, read_archive, write_archive
from fruitcount.store.base import open_store
from fruitcount.store.limbs import save_hand_count, save_limb, save_side_count
from fruitcount.store.open_folder import read_csv_folder, write_csv_folder
from fruitcount.store.orchard import load_trees, save_tree
from fruitcount.store.photo_record import load_record, save_decision, save_measurement
from fruitcount.store.photos import PhotoPlace, save_photo
from fruitcount.store.tables import LATEST


@pytest.fixture
def filled(store, measurement):
    tree = save_tree(store, TREE, year=2026)
    save_tree(store, OrchardTree("=1+1", note='"quoted",\nline\ttab \'x'), year=2026)
    limb = save_limb(store, tree, name="1", base_diameter_mm=0.1 + 0.2)
    one = save_photo(store, b"first", name="a.jpg", place=PhotoPlace(tree, limb, "back", "after"))
    two = save_photo(store, b"second", name="ü b.heic")
    save_side_count(store, one, two, both_n=7)
    save_measurement(store, one, measurement)
    add_edit(store, one, 0, {"text": "ä\u2028\n", "x": 0.1})
    save_decision(store, one, revision=1, inputs={"a": None}, decision={"keep_n": 3})
    save_hand_count(store, year=2026, seen_n=54, true_n=100, tree_id=tree, limb="1")
    return store


def _lines(path):
    with zipfile.ZipFile(path) as z:
        return z.read("records.jsonl")


def test_archive_into_both_databases(filled, tmp_path, request):
    first = write_archive(filled, tmp_path / "a.zip")
    targets = [open_store(tmp_path / "new" / "o.db")]
    if not filled.is_sqlite:
        url = request.getfixturevalue("new_postgres")()
        targets.append(open_store(url, photos_folder=tmp_path / "new-pg"))
    for number, target in enumerate(targets):
        assert read_archive(target, first) > 6
        again = write_archive(target, tmp_path / f"again{number}.zip")
        assert _lines(again) == _lines(first)
        assert photo_bytes(target, 1) == b"first"
        assert load_record(target, 1).edits == load_record(filled, 1).edits
        assert find_damage(target) == []
        # numbers go on behind those that were read
        assert save_photo(target, b"third") not in (1, 2)
        target.close()


def test_csv_round_trip(filled, tmp_path):
    write_csv_folder(filled, tmp_path / "csv")
    with (tmp_path / "csv" / "tree.csv").open(newline="", encoding="utf-8") as stream:
        names = [row["name"] for row in csv.DictReader(stream)]
    assert names == ["Old one", "'=1+1"]  # no formula for a spreadsheet
    target = open_store(tmp_path / "new.db", photos_folder=filled.photos_folder)
    read_csv_folder(target, tmp_path / "csv")
    one = write_archive(target, tmp_path / "1.zip")
    two = write_archive(filled, tmp_path / "2.zip")
    assert _lines(one) == _lines(two)
    target.close()


def test_an_older_csv_folder_has_neither_tunings_nor_side_counts(filled, tmp_path):
    write_csv_folder(filled, tmp_path / "csv")
    (tmp_path / "csv" / "tuning.csv").unlink()
    (tmp_path / "csv" / "side_count.csv").unlink()
    target = open_store(tmp_path / "new.db", photos_folder=filled.photos_folder)
    assert read_csv_folder(target, tmp_path / "csv") > 6
    target.close()


def test_an_older_archive_is_read(filled, tmp_path):
    """Version 1 had no hand counts; a column that came later gets its usual value."""

    def older(name, data):
        if not name.endswith("jsonl"):
            return [(name, data)]
        lines = [json.loads(line) for line in data.splitlines()]
        lines[0]["version"] = 1
        kept = [x for x in lines if x.get("table") != "hand_count"]
        for line in kept[1:]:
            line["row"].pop("note", None)
        return [(name, b"\n".join(json.dumps(x).encode() for x in kept))]

    path = write_archive(filled, tmp_path / "a.zip")
    _spoil(path, tmp_path / "old.zip", older)
    target = open_store(tmp_path / "new" / "o.db")
    assert read_archive(target, tmp_path / "old.zip") > 6
    (one, _) = sorted(load_trees(target, year=2026), key=lambda t: t.name, reverse=True)
    assert (one.variety, one.note) == (TREE.variety, "")
    target.close()


def test_only_into_empty_records(filled, tmp_path):
    path = write_archive(filled, tmp_path / "a.zip")
    with pytest.raises(RecordError, match="empty"):
        read_archive(filled, path)


def _spoil(path, out, change):
    with zipfile.ZipFile(path) as z, zipfile.ZipFile(out, "w") as w:
        for info in z.infolist():
            for name, data in change(info.filename, z.read(info)):
                w.writestr(name, data)


@pytest.mark.parametrize(
    "change",
    [
        lambda n, d: [] if n.endswith("jsonl") else [(n, d)],
        lambda n, d: [(n, d + b"{broken")] if n.endswith("jsonl") else [(n, d)],
        lambda n, d: [(n, b"other")] if n.startswith("photos/") else [(n, d)],
        lambda n, d: [] if n.startswith("photos/") else [(n, d)],
        lambda n, d: [(n, d.replace(b'"version": %d}' % LATEST, b'"version": 99}'))],
        lambda n, d: [(n, d.replace(b'"side"', b'"sade"'))],
        lambda n, d: [(n, d.replace(b"2026-03-20", b"2026-13-20"))],
        lambda n, d: [(n, d.replace(b'"suffix": ".jpg"', b'"suffix": "/../x"'))],
        lambda n, d: [(n, d.replace(b'"photo_id": 1', b'"photo_id": 77'))],
        lambda n, d: [(n, b"")],
    ],
)
def test_a_spoiled_archive_leaves_nothing_behind(filled, tmp_path, change):
    path = write_archive(filled, tmp_path / "a.zip")
    _spoil(path, tmp_path / "b.zip", change)
    target = open_store(tmp_path / "new" / "o.db")
    with pytest.raises(RecordError):
        read_archive(target, tmp_path / "b.zip")
    write_archive(target, tmp_path / "c.zip")
    assert [json.loads(x).get("table") for x in _lines(tmp_path / "c.zip").splitlines()] == [None]
    target.close()


def test_a_lost_photo_stops_the_backup(filled, tmp_path):
    next(filled.photos_folder.glob("??/*")).unlink()
    with pytest.raises(RecordError, match="gone"):
        write_archive(filled, tmp_path / "a.zip")
    assert not list(tmp_path.glob("*.zip"))
    assert not list(tmp_path.glob("*.part"))


def test_a_csv_cell_longer_than_the_modules_limit_comes_back(filled, tmp_path):
    one = 1
    marks = [[0.1234567, 0.7654321, 18.25]] * 8000
    add_edit(filled, one, 1, {"marks": marks})
    write_csv_folder(filled, tmp_path / "csv")
    assert len((tmp_path / "csv" / "edit.csv").read_text("utf-8")) > 131_072  # the limit of csv
    target = open_store(tmp_path / "new.db", photos_folder=filled.photos_folder)
    read_csv_folder(target, tmp_path / "csv")
    assert load_record(target, one).edits == load_record(filled, one).edits
    target.close()


def test_what_is_made_is_its_owner_s_alone(tmp_path):
    place = tmp_path / "data"
    store = open_store(place / "o.db")
    save_photo(store, b"photo", name="a.jpg")
    modes = {p: p.stat().st_mode & 0o777 for p in (place, store.file, store.photos_folder)}
    assert modes == {place: 0o700, store.file: 0o600, store.photos_folder: 0o700}
    store.close()


def test_a_backup_never_writes_over_an_earlier_one(store, tmp_path):
    first = write_archive(store, tmp_path / "all.zip")
    was = first.read_bytes()
    save_photo(store, b"another", name="b.jpg")
    with pytest.raises(RecordError, match="already there"):
        write_archive(store, first)
    assert first.read_bytes() == was


@pytest.mark.parametrize(
    ("lines", "how", "said"),
    [
        (b"{}\n" + b" " * 60_000_000, zipfile.ZIP_DEFLATED, "unpacks from"),
        (b"{}" + b" " * 17_000_000, zipfile.ZIP_STORED, "no record"),
    ],
)
def test_a_zip_made_to_fill_the_memory_is_refused(tmp_path, lines, how, said):
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", how) as out:
        out.writestr("records.jsonl", lines)
    target = open_store(tmp_path / "o.db")
    with pytest.raises(RecordError, match=said):
        read_archive(target, tmp_path / "bomb.zip")
    target.close()


def test_a_photo_that_nobody_can_read_is_named_and_can_still_be_backed_up(tmp_path):
    store = open_store(tmp_path / "o.db")
    spoilt = b"II*\x00\x08\x00\x00\x00" + b"\x55" * 99
    save_photo(store, spoilt, name="old.tif", keep_location=True)  # as earlier versions kept it
    with pytest.raises(RecordError, match=r"photo 1 \(old\.tif\).*--keep-location"):
        write_archive(store, tmp_path / "a.zip")
    assert not (tmp_path / "a.zip").exists()
    path = write_archive(store, tmp_path / "a.zip", keep_location=True)
    other = open_store(tmp_path / "new.db")
    read_archive(other, path, keep_location=True)
    assert photo_bytes(other, 1) == spoilt
    other.close()
    store.close()


def test_an_export_that_does_not_read_back_is_not_told_as_done(filled, tmp_path, monkeypatch):
    real = rows.table_rows

    def lossy(session, table):
        for row in real(session, table):
            yield row | ({"true_n": 99.0} if table.name == "hand_count" else {})

    monkeypatch.setattr(open_folder, "table_rows", lossy)
    with pytest.raises(RecordError, match="hand_count does not read back"):
        write_csv_folder(filled, tmp_path / "csv")
    assert not list((tmp_path / "csv").glob("*.csv"))


@pytest.mark.skipif(os.name != "posix", reason="needs modes of files")
def test_who_else_may_reach_the_records_is_told(tmp_path, monkeypatch):
    folder = tmp_path / "orchard" / "data"
    folder.mkdir(parents=True)
    for parent, own, said in (
        (0o700, 0o700, ""),
        (0o777, 0o700, "may change"),
        (0o700, 0o755, "may be opened"),
    ):
        folder.parent.chmod(parent)
        folder.chmod(own)
        assert (said in base.shared_with(folder)) if said else base.shared_with(folder) == ""
    monkeypatch.setattr(base, "_mount_kind", lambda path: "nfs4")
    assert "network drive (nfs4)" in base.shared_with(folder)
