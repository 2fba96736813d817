"""Full disks, places that cannot be written, and databases that are damaged, foreign or locked."""

from __future__ import annotations

import csv
import errno
import hashlib
import json
import os
import shutil
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hardening.kit import CLASSICAL, count_quickly, left_behind, limb_rgb, run, saved

from fruitcount.errors import NotWrittenError, RecordError
from fruitcount.files import written_whole
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.archive import find_damage
from fruitcount.store.base import open_store
from fruitcount.store.orchard import save_tree
from fruitcount.store.photo_record import list_photos
from fruitcount.store.photos import save_photo

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    count_quickly(monkeypatch)


@pytest.fixture(scope="module")
def photo() -> bytes:
    return saved(limb_rgb()[::2, ::2])


@pytest.fixture
def full_disk(tmp_path: Path) -> Iterator[Callable[[int], Path]]:
    """Call it with kilobytes for a disk of that size."""
    mounted: list[Path] = []

    def make(kilobytes: int) -> Path:
        place = tmp_path / f"disk{len(mounted)}"
        place.mkdir()
        command = ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", str(place)]
        if shutil.which("mount") is None or _fails(command):
            pytest.skip("no small disk can be made here (needs root and tmpfs)")
        mounted.append(place)
        return place

    yield make
    for place in mounted:
        subprocess.run(["umount", "-l", str(place)], check=False)


def _fails(command: list[str]) -> bool:
    return subprocess.run(command, capture_output=True, check=False).returncode != 0


def _photos(folder: Path, photo: bytes, n: int) -> Path:
    folder.mkdir(parents=True)
    for k in range(n):
        (folder / f"{k:03}.jpg").write_bytes(photo + bytes([k]))
    return folder


def _on_disk(folder: Path) -> dict[str, str]:
    files = (p for p in sorted(folder.rglob("*")) if p.is_file())
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
            for p in files}  # fmt: skip


def test_count_on_a_disk_that_fills_up(
    tmp_path: Path, photo: bytes, full_disk: Callable[[int], Path]
) -> None:
    """Each photo's files are there whole or not at all, and the command says what is wrong."""
    disk = full_disk(1500)
    photos = _photos(tmp_path / "in", photo, 30)
    result = run("count", *sorted(photos.iterdir()), "--out", disk, *CLASSICAL)
    assert result.exit_code == 2
    assert "No space left on device" in result.output
    assert left_behind(disk) == []
    stems = {p.name.removesuffix("_plan.jpg") for p in disk.glob("*_plan.jpg")}
    assert stems == {p.stem for p in disk.glob("*.json")}
    assert 0 < len(stems) < 30
    for path in disk.glob("*.json"):
        json.loads(path.read_text())
    for path in disk.glob("*_plan.jpg"):
        assert path.read_bytes().endswith(b"\xff\xd9")


def test_a_folder_goes_on_when_there_is_room_again(
    tmp_path: Path, photo: bytes, full_disk: Callable[[int], Path]
) -> None:
    disk = full_disk(1024)
    photos = _photos(tmp_path / "in" / "north", photo, 40).parent
    out = disk / "out"
    (disk / "ballast").write_bytes(bytes(940 * 1024))
    result = run("folder", photos, "--out", out, "--workers", 1, *CLASSICAL)
    assert result.exit_code == 2
    assert "No space left on device" in result.output
    kept = (out / "progress.jsonl").read_bytes()
    whole = kept[: kept.rfind(b"\n") + 1].splitlines()
    assert 0 < len(whole) < 40
    (disk / "ballast").unlink()
    assert run("folder", photos, "--out", out, "--workers", 1, *CLASSICAL).exit_code == 0
    lines = (out / "progress.jsonl").read_bytes().splitlines()
    assert lines[: len(whole)] == whole  # what was written stays written
    assert len({json.loads(line)["sha256"] for line in lines}) == len(lines) == 40
    with (out / "photos.csv").open() as stream:
        assert sum(row["ok"] == "yes" for row in csv.DictReader(stream)) == 40
    assert left_behind(disk) == []


def test_records_on_a_disk_that_fills_up(
    tmp_path: Path, photo: bytes, full_disk: Callable[[int], Path]
) -> None:
    """Photos kept before stay as they are; the one too many leaves no trace."""
    disk = full_disk(1800)
    records = open_store(disk / "records.db")
    kept: list[bytes] = []
    with pytest.raises((RecordError, NotWrittenError)) as caught:  # noqa: PT012
        for k in range(200):
            save_photo(records, photo + bytes([k]), name=f"{k}.jpg")
            kept.append(photo + bytes([k]))
    assert len(kept) > 3
    assert "cannot be" in str(caught.value)
    records.close()
    copy = tmp_path / "copy"  # looked at on a disk with room: is what was promised all there?
    shutil.copytree(disk, copy)
    again = open_store(copy / "records.db")
    assert {p.key for p in list_photos(again)} == {
        hashlib.sha256(data).hexdigest() for data in kept
    }
    assert [line for line in find_damage(again) if "no photo in the records" not in line] == []
    again.close()
    assert left_behind(disk) == []


@pytest.mark.parametrize("what", ["backup", "export"])
def test_a_backup_that_does_not_fit_leaves_nothing(
    tmp_path: Path, photo: bytes, full_disk: Callable[[int], Path], what: str
) -> None:
    disk = full_disk(8)
    records = open_store(tmp_path / "records.db", photos_folder=tmp_path / "photos")
    for k in range(5):
        save_photo(records, photo + bytes([k]), name=f"{k}" * 2000)
    records.close()
    before = _on_disk(disk)
    target = disk / ("all.zip" if what == "backup" else "tables")
    result = run("records", "--db", tmp_path / "records.db", what, target)
    assert result.exit_code == 2, result.output
    assert "No space left on device" in result.output
    assert _on_disk(disk) == before


def test_an_older_file_stays_when_the_new_one_fails(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("old")
    for fault, told in ((OSError(errno.ENOSPC, "No space left"), NotWrittenError),
                        (ZeroDivisionError(), ZeroDivisionError)):  # fmt: skip
        with pytest.raises(told):
            _write_in_part(tmp_path, fault)
    assert (tmp_path / "a.txt").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]
    with written_whole(tmp_path) as draft:
        (draft / "a.txt").write_text("new")
    assert (tmp_path / "a.txt").read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def _write_in_part(folder: Path, fault: Exception) -> None:
    with written_whole(folder) as draft:
        (draft / "a.txt").write_text("new, in part")
        raise fault


# places where nothing can be made, not even by root
NOWHERE = ["/dev/null/x", "/proc/x", "/dev/full/x"]


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs /proc and /dev/full")
@pytest.mark.parametrize("place", NOWHERE)
@pytest.mark.parametrize("command", ["count", "folder", "tree", "season", "card", "records",
                                     "evaluate", "import"])  # fmt: skip
def test_a_place_that_cannot_be_written_is_told_of(
    tmp_path: Path, photo: bytes, place: str, command: str
) -> None:
    photos = _photos(tmp_path / "in" / "north", photo, 1)
    (tmp_path / "trees.csv").write_text("name,bloom_date\nN,2026-03-18\n")
    (photos / "000.txt").write_text("0 0.5 0.5 0.1 0.1\n")
    rows = tmp_path / "rows"
    if command == "tree":
        run("folder", tmp_path / "in", "--out", rows, "--workers", 1, *CLASSICAL)
    if command == "records":
        open_store(tmp_path / "records.db").close()
    words: dict[str, list[Any]] = {
        "count": ["count", photos / "000.jpg", "--out", place, *CLASSICAL],
        "folder": ["folder", tmp_path / "in", "--out", place, "--workers", 1, *CLASSICAL],
        "tree": ["tree", rows, "--out", place, "--spacing", "15cm"],
        "season": ["season", "--trees", tmp_path / "trees.csv", "--out", place],
        "card": ["card", f"{place}/cards.pdf"],
        "records": ["records", "--db", tmp_path / "records.db", "backup", f"{place}/all.zip"],
        "evaluate": ["evaluate", photos, "--out", place, "--most", 1, *CLASSICAL],
        "import": ["records", "--db", f"{place}/new.db", "import", tmp_path / "trees.csv"],
    }
    result = run(*words[command])
    assert result.exit_code == 2, result.output
    assert place.split("/")[1] in result.output
    assert len(result.output.splitlines()) < 8


def _filled(path: Path, photo: bytes) -> dict[str, str]:
    """Records with a tree and two photos; the hashes of all their files."""
    records = open_store(path, photos_folder=path.parent / "photos")
    save_tree(records, OrchardTree("North", bloom_date=date(2026, 3, 18)), year=2026)
    for k in (1, 2):
        save_photo(records, photo + bytes([k]), name=f"{k}.jpg")
    records.close()
    return _on_disk(path.parent)


def _newer(path: Path) -> None:
    raw = sqlite3.connect(path)
    raw.execute("UPDATE meta SET value = '999' WHERE name = 'version'")
    raw.commit()
    raw.close()


def _foreign(path: Path) -> None:
    path.unlink()
    raw = sqlite3.connect(path)
    raw.execute("CREATE TABLE songs (name TEXT)")
    raw.commit()
    raw.close()


def _no_version(path: Path) -> None:
    raw = sqlite3.connect(path)
    raw.execute("DELETE FROM meta")
    raw.commit()
    raw.close()


def _without_photos(path: Path) -> None:
    raw = sqlite3.connect(path)
    raw.execute("DROP TABLE photo")
    raw.commit()
    raw.close()


def _spoilt(at: float) -> Callable[[Path], None]:
    def spoil(path: Path) -> None:
        data = bytearray(path.read_bytes())
        # a whole page (4,096 bytes by default): a part of one may be unused
        start = int(len(data) * at) // 4096 * 4096
        data[start : start + 4096] = b"\xa5" * min(4096, len(data) - start)
        path.write_bytes(data)

    return spoil


BROKEN: dict[str, tuple[Callable[[Path], None], str]] = {
    "of a newer program": (_newer, "made by a newer fruitcount"),
    "of another program": (_foreign, "not a fruitcount database"),
    "without a version": (_no_version, "not a fruitcount database"),
    "spoilt at its start": (_spoilt(0.0), "damaged"),
    "cut in half": (lambda p: p.write_bytes(p.read_bytes()[: p.stat().st_size // 2]), "damaged"),
    "without photos": (_without_photos, "lacks the tables"),
    "zeros behind its start": (
        lambda p: p.write_bytes(p.read_bytes()[:4096].ljust(p.stat().st_size, b"\0")),
        "damaged",
    ),
    "text": (lambda p: p.write_text("these are my records\n" * 300), "damaged"),
    "a photo": (lambda p: p.write_bytes(saved(limb_rgb()[::8, ::8])), "damaged"),
    "empty": (lambda p: p.write_bytes(b""), "is empty, though photos are beside it"),
}
COMMANDS: dict[str, list[str]] = {
    "check": ["records", "check"],
    "backup": ["records", "backup", "OUT/x.zip"],
    "export": ["records", "export", "OUT/tables"],
    "delete": ["records", "delete", "--tree", "North", "--yes"],
    "tree": ["tree", "--tree", "North", "--out", "OUT"],
    "season": ["season", "--out", "OUT"],
    "count": ["count", "PHOTO", "--record", "--out", "OUT", *CLASSICAL],
    "import": ["records", "import", "PHOTO"],
}


@pytest.mark.parametrize("how", BROKEN)
def test_a_database_that_cannot_be_used_is_left_as_it_is(
    tmp_path: Path, photo: bytes, how: str
) -> None:
    spoil, words = BROKEN[how]
    path = tmp_path / "data" / "records.db"
    _filled(path, photo)
    spoil(path)
    before = _on_disk(path.parent)
    limb = tmp_path / "limb.jpg"
    limb.write_bytes(photo)
    for name, command in COMMANDS.items():
        out = tmp_path / "out" / name
        group, *rest = (p.replace("OUT", str(out)).replace("PHOTO", str(limb)) for p in command)
        where = [group, "--db", str(path)] if group == "records" else [group]
        result = run(*where, *rest, *([] if group == "records" else ["--db", path]))
        assert result.exit_code == 2, (name, result.output)
        assert words in result.output, (name, result.output)
        assert name == "count" or not out.exists() or not list(out.iterdir())
    with pytest.raises(RecordError, match=words):
        open_store(path, photos_folder=path.parent / "photos")
    after = {name: text for name, text in _on_disk(path.parent).items()
             if not name.endswith(("-wal", "-shm"))}  # fmt: skip
    assert after == {n: t for n, t in before.items() if not n.endswith(("-wal", "-shm"))}


@pytest.mark.parametrize("at", [0.3, 0.5, 0.8])
def test_damage_inside_is_told_and_never_a_traceback(
    tmp_path: Path, photo: bytes, at: float
) -> None:
    path = tmp_path / "data" / "records.db"
    _filled(path, photo)
    _spoilt(at)(path)
    result = run("records", "--db", path, "check")
    assert result.exit_code in (1, 2)
    assert "damaged" in result.output or "database" in result.output
    assert run("season", "--db", path, "--out", tmp_path / "o").exit_code in (0, 2)


@pytest.mark.parametrize("spoilt", [
    "tree SET note = x'ff00fe'", "tree SET trunk_circumference_mm = 9e999",
    "season SET bloom_date = '31.12.2026'", "photo SET bytes_n = 'many'",
])  # fmt: skip
def test_a_row_that_is_none_is_told_before_it_is_written(
    tmp_path: Path, photo: bytes, spoilt: str
) -> None:
    """SQLite takes any value in any column (its manual, 'Datatypes In SQLite')."""
    path = tmp_path / "data" / "records.db"
    _filled(path, photo)
    with closing(sqlite3.connect(path)) as raw:
        raw.execute(f"UPDATE {spoilt}")
        raw.commit()
    for words, code in (
        ("check", 1), (f"backup {tmp_path}/b.zip", 2), (f"export {tmp_path}/e", 2),
        (f"export {tmp_path}/c --as coco", 2),
    ):  # fmt: skip
        assert run("records", "--db", path, *words.split()).exit_code == code
    assert run("season", "--db", path, "--out", tmp_path / "o").exit_code in (0, 2)
    assert not (tmp_path / "b.zip").exists()


def test_what_is_no_file_is_not_written_over(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "cards.pdf")
    assert "is no file" in run("card", tmp_path / "cards.pdf").output
    assert stat.S_ISFIFO((tmp_path / "cards.pdf").stat().st_mode)


def test_a_folder_without_its_photos_is_told_on_import(tmp_path: Path, photo: bytes) -> None:
    _filled(tmp_path / "data" / "records.db", photo)
    run("records", "--db", tmp_path / "data", "export", tmp_path / "e")
    shutil.rmtree(tmp_path / "e" / "photos")
    result = run("records", "--db", tmp_path / "new", "import", tmp_path / "e")
    assert (result.exit_code, result.output.count(" is gone")) == (1, 2)


def test_records_that_may_only_be_read(
    tmp_path: Path, photo: bytes, full_disk: Callable[[int], Path]
) -> None:
    """On a disk that was made read-only: reading or a clear refusal, and nothing changed."""
    disk = full_disk(3000)
    _filled(disk / "records.db", photo)
    before = _on_disk(disk)
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
    result = run("records", "--db", disk / "records.db", "delete", "--tree", "North", "--yes")
    assert result.exit_code == 2
    assert "records.db" in result.output
    for command in (["records", "--db", disk / "records.db", "check"],
                    ["season", "--db", disk / "records.db", "--out", tmp_path / "o"]):  # fmt: skip
        assert run(*command).exit_code in (0, 2)
    with pytest.raises((RecordError, NotWrittenError)):
        save_photo(open_store(disk / "records.db"), b"new", name="x.jpg")
    assert _on_disk(disk) == before


def test_a_locked_database_is_waited_for_then_told_of(
    tmp_path: Path, photo: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    from fruitcount.store import base

    path = tmp_path / "records.db"
    _filled(path, photo)
    records = open_store(path)
    monkeypatch.setattr(base, "_BUSY_S", 0.3)
    impatient = open_store(path)
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with pytest.raises(RecordError, match="locked"):
        save_photo(impatient, b"new", name="x.jpg")
    assert len(list_photos(impatient)) == 2  # reading goes on meanwhile
    holder.execute("ROLLBACK")
    holder.close()
    save_photo(impatient, b"new", name="x.jpg")
    assert len(list_photos(records)) == 3
    impatient.close()
    records.close()


def test_a_failed_import_leaves_no_database_behind(tmp_path: Path, photo: bytes) -> None:
    (tmp_path / "bad.zip").write_bytes(b"PK\x03\x04 no zip")
    (tmp_path / "bad").mkdir()
    for source in ("bad.zip", "bad"):
        result = run("records", "--db", tmp_path / "new.db", "import", tmp_path / source)
        assert result.exit_code == 2
        assert not list(tmp_path.glob("new*"))
    _filled(tmp_path / "old" / "records.db", photo)
    before = _on_disk(tmp_path / "old")
    where = ["records", "--db", tmp_path / "old" / "records.db"]
    assert run(*where, "import", tmp_path / "bad.zip").exit_code == 2
    assert _on_disk(tmp_path / "old") == before


@pytest.mark.skipif(os.name == "nt", reason="needs /dev/full")
def test_the_tables_are_not_half_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk fills while the second table is written: the older tables stay, all of them."""
    from fruitcount.store import open_folder as archive

    records = open_store(tmp_path / "records.db")
    first = {p.name: p.read_bytes() for p in archive.write_csv_folder(records, tmp_path / "t")}
    save_photo(records, b"x", name="x.jpg")
    calls = iter(range(99))

    def fails(session: Any, table: Any) -> Any:
        if next(calls) == 2:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(session, table)

    real = archive.table_rows
    monkeypatch.setattr(archive, "table_rows", fails)
    with pytest.raises(NotWrittenError):
        archive.write_csv_folder(records, tmp_path / "t")
    assert {p.name: p.read_bytes() for p in (tmp_path / "t").iterdir()} == first
    records.close()


@pytest.mark.skipif(os.name == "nt", reason="needs /dev/full")
@pytest.mark.parametrize("words", ["--help", "species peach"])
def test_an_output_that_is_full_or_closed(words: str) -> None:
    """``fruitcount ... > /dev/full`` is told in a sentence; ``| head -1`` ends quietly."""
    command = [sys.executable, "-m", "fruitcount", *words.split()]
    read, closed = os.pipe()
    os.close(read)
    for output, said in ((os.open("/dev/full", os.O_WRONLY), "No space left"), (closed, "")):
        done = subprocess.run(
            command, stdout=output, stderr=subprocess.PIPE, text=True, check=False
        )
        os.close(output)
        assert said in done.stderr
        assert done.returncode == (2 if said else 1)
        assert len(done.stderr.splitlines()) == bool(said)


@pytest.mark.parametrize("columns", ["20", "40"])
def test_a_narrow_terminal_without_colours_or_letters_of_its_own(
    tmp_path: Path, columns: str
) -> None:
    (tmp_path / "trees.csv").write_text("name,bloom_date\nBäume 桃 \U0001f351,2026-03-18\n")
    place = {"LC_ALL": "C", "NO_COLOR": "1", "COLUMNS": columns, "PATH": os.environ["PATH"],
             "HOME": str(tmp_path), "PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii"}  # fmt: skip
    command = [sys.executable, "-m", "fruitcount", "season", "--trees", tmp_path / "trees.csv",
               "--day", "2026-05-01", "--out", tmp_path / "out"]  # fmt: skip
    done = subprocess.run(command, env=place, cwd=ROOT, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    assert b"B" in done.stdout
    assert b"\x1b" not in done.stdout
    assert done.stderr == b""


def test_a_day_that_is_none_and_a_count_past_all_bounds_are_told(
    tmp_path: Path, photo: bytes
) -> None:
    path = tmp_path / "data" / "records.db"
    _filled(path, photo)
    raw = sqlite3.connect(path)
    raw.execute("UPDATE photo SET saved_at = 'yesterday'")
    raw.commit()
    raw.close()
    result = run("season", "--db", path, "--out", tmp_path / "o")
    assert (result.exit_code, "row is damaged" in result.output) == (2, True)
    for count in ("1e308", "-3"):
        (tmp_path / "photos.csv").write_text(f"file,tree,limb,ok,count_n\na.jpg,N,1,yes,{count}\n")
        result = run("tree", tmp_path / "photos.csv", "--out", tmp_path / "o")
        assert (result.exit_code, "count_n must be" in result.output) == (2, True)


def test_a_day_for_pdfs_that_is_none_is_named(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "abc")
    done = run("card", tmp_path / "card.pdf")
    assert done.exit_code == 2
    assert "SOURCE_DATE_EPOCH must be seconds since 1970, got 'abc'" in done.output
    assert list(tmp_path.iterdir()) == []
