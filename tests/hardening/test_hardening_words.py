"""What was passed over in silence, or said in a library's own words: told in ours."""

from __future__ import annotations

import io
import os
import re
import shutil
import sqlite3
import zipfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hardening.kit import CLASSICAL, left_behind, limb_rgb, run, saved
from PIL import Image

from fruitcount.errors import BadInputError, PhotoTooLargeError, PhotoUnreadableError
from fruitcount.image import formats
from fruitcount.image.photo import read_photo
from fruitcount.store import archive
from fruitcount.tree.facts import read_hand_counts

OWN_WORDS = ("Expecting", "codec", "NoneType", "argument", "JSONDecode", "literal", "JPEGLib")


def test_lan_without_a_terminal_asks_nothing_of_python() -> None:
    """Python warns where it cannot hide what is typed; that warning reached the keeper."""
    said = run("screen", "--lan")
    assert said.exit_code == 2
    assert "passphrase must be given" in said.output
    assert "Warning" not in said.output


@pytest.fixture(scope="module")
def counted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, str]:
    """A folder of two photos, counted by a sheet that has two lines too many; what was said."""
    folder = tmp_path_factory.mktemp("words")
    photos, out = folder / "photos", folder / "out"
    photos.mkdir()
    for name, turned in (("a.jpg", False), ("b.jpg", True)):
        rgb = limb_rgb()
        (photos / name).write_bytes(saved(rgb[:, ::-1] if turned else rgb))
    sheet = folder / "sheet.csv"
    sheet.write_text("file,tree,limb\n./a.jpg,T,A\nb.jpg,T,B\nB.JPG,T,C\nc.jpg,T,D\n")
    usual = ("--out", out, "--workers", 1, *CLASSICAL)
    said = run("folder", photos, "--sheet", sheet, *usual)
    assert said.exit_code == 0, said.output
    return folder, out, said.output


def test_lines_of_the_sheet_without_a_photo_are_told(counted: tuple[Path, Path, str]) -> None:
    assert "not in the folder (2): 'B.JPG', 'c.jpg'" in counted[2]
    assert "T / A" in counted[2]


def test_a_table_that_lost_its_last_line_is_told(
    counted: tuple[Path, Path, str], tmp_path: Path
) -> None:
    shutil.copytree(counted[1], tmp_path / "out")
    table = tmp_path / "out" / "photos.csv"
    whole = run("tree", table, "--out", tmp_path / "sheet")
    assert "lacks" not in whole.output
    table.write_bytes(b"".join(table.read_bytes().splitlines(keepends=True)[:-1]))
    cut = run("tree", table, "--out", tmp_path / "sheet")
    assert cut.exit_code == 0
    assert "photos.csv lacks 1 of the photos counted with it" in cut.output


def _records(folder: Path, *changes: str) -> None:
    photo = folder / "a.jpg"
    photo.write_bytes(saved(limb_rgb()))
    kept = run("count", photo, "--record", "--tree", "T", *CLASSICAL, "--db", folder / "data",
               "--out", folder / "out")  # fmt: skip
    assert kept.exit_code == 0, kept.output
    with closing(sqlite3.connect(folder / "data" / "records.db")) as db:
        for change in changes:
            db.execute(change)
        db.commit()


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE measurement SET body = '{'",
        "UPDATE measurement SET body = '[]'",
        "UPDATE measurement SET body = '{\"photo\": null}'",
        "UPDATE measurement SET body = json_replace(body, '$.fruitlets', 5)",
        "UPDATE decision SET inputs = '{\"species\": '",
        "UPDATE edit SET body = 'null'",
        "UPDATE tree SET planted_year = 'x'",
    ],
)
def test_check_tells_damage_in_plain_words(tmp_path: Path, change: str) -> None:
    _records(tmp_path, change)
    said = run("records", "--db", tmp_path / "data", "check")
    assert said.exit_code == (0 if "UPDATE edit" in change else 1), said.output
    assert not [words for words in OWN_WORDS if words in said.output], said.output


def test_import_reads_each_photo_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _records(tmp_path)
    run("records", "--db", tmp_path / "data", "backup", tmp_path / "b.zip")
    again: list[object] = []
    monkeypatch.setattr(archive, "checked_bytes", lambda *told: again.append(told))
    said = run("records", "--db", tmp_path / "new", "import", tmp_path / "b.zip")
    assert said.exit_code == 0, said.output
    assert again == []
    assert left_behind(tmp_path / "new") == []


@pytest.mark.parametrize("packing", ["jpeg", "tiff_lzw", "tiff_adobe_deflate"])
def test_a_tiff_whose_decoder_speaks_of_damage_is_refused(
    packing: str, capfd: pytest.CaptureFixture[str]
) -> None:
    data = bytearray(saved(limb_rgb(), "TIFF", compression=packing))
    read_photo(bytes(data))
    middle = len(data) // 3
    wrong = bytes(b ^ 0x5A for b in data[middle : middle + 40])
    data[middle : middle + 40] = b"\xff\xa3" * 20 if packing == "jpeg" else wrong
    with pytest.raises(PhotoUnreadableError, match="damaged"):
        read_photo(bytes(data), name="a.tif")
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize(
    ("said", "damage"),
    [
        (b"another visitor's page: an error\n", False),
        (b"TIFFReadDirectory: Warning, Unknown field.\n", False),
        (b"LZWDecode: Not enough data at scanline 3.\n", True),
    ],
)
def test_only_what_the_tiff_decoder_says_is_damage(
    said: bytes, damage: bool, capfd: pytest.CaptureFixture[str]
) -> None:
    assert formats.tiff_damage_said(lambda: os.write(2, said)) is damage
    others = b"" if said.startswith((b"TIFF", b"LZW")) else said
    assert capfd.readouterr().err.encode() == others  # nobody else's words are lost


def test_damage_is_known_without_a_screen_to_write_to(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(number: int) -> int:
        raise OSError(number)

    monkeypatch.setattr(os, "dup", none)
    assert read_photo(saved(limb_rgb(), "TIFF")).file_format == "TIFF"


@pytest.mark.parametrize(
    ("kind", "how", "most_mp"),
    [
        ("JPEG", {}, 80),
        ("WEBP", {}, 80),
        ("JPEG", {"progressive": True}, 60),
        ("PNG", {}, 60),
        ("TIFF", {}, 60),
    ],
)
def test_what_takes_more_memory_may_have_fewer_pixels(
    monkeypatch: pytest.MonkeyPatch, kind: str, how: dict[str, bool], most_mp: int
) -> None:
    """As measured: 60 megapixels of these take at most 0.7 GB, as 79 of a usual JPEG do."""
    data = saved(limb_rgb(), kind, **how)
    n = limb_rgb().shape[0] * limb_rgb().shape[1]
    monkeypatch.setattr(formats, "MAX_PIXELS", int(n * 80 / most_mp) + 2)
    assert read_photo(data).rgb.shape == limb_rgb().shape
    monkeypatch.setattr(formats, "MAX_PIXELS", int(n * 80 / most_mp) - 2)
    with pytest.raises(PhotoTooLargeError):
        read_photo(data)


def test_a_webp_reads_as_pillow_reads_it() -> None:
    picture = Image.fromarray(limb_rgb())
    exif = Image.Exif()
    exif[0x0112] = 6
    for how in ({"quality": 80}, {"lossless": True}, {"quality": 80, "exif": exif}):
        data = saved(picture, "WEBP", **how)
        with Image.open(io.BytesIO(data)) as plain:
            wanted = np.asarray(plain.convert("RGB"))
        turned = np.rot90(wanted, 3) if "exif" in how else wanted
        np.testing.assert_array_equal(read_photo(data).rgb, turned)


def _repacked(backup: Path, out: Path, change: Callable[[str], str], *, more: bytes = b"") -> None:
    with zipfile.ZipFile(backup) as old, zipfile.ZipFile(out, "w") as new:
        for info in old.infolist():
            data = old.read(info)
            lines = info.filename == "records.jsonl"
            new.writestr(info.filename, change(data.decode()).encode() if lines else data)
        if more:
            with pytest.warns(UserWarning, match="Duplicate name"):
                new.writestr("records.jsonl", more)


@pytest.mark.parametrize(
    ("change", "more", "match"),
    [
        # the last of two would be read, which may hold nothing
        (str, b'{"kind": "fruitcount records", "version": 9}\n', "holds a file twice"),
        (lambda lines: lines.replace('"version": 9', '"version": true'), b"", "of version True"),
        (lambda lines: lines.replace('"year": 2', '"year": true, "was": 2', 1), b"", "columns"),
        (lambda lines: re.sub(r'"year": \d+', '"year": true', lines, count=1), b"", "not of its"),
        (lambda lines: lines + "[" * 100_000, b"", "nested too deep|no JSON"),
        (lambda lines: lines + '{"row": ' + "9" * 5000 + "}", b"", "of another kind"),
        (lambda lines: "\ufeff" + lines, b"", "no JSON"),
    ],
)
def test_a_backup_that_was_changed_is_refused_in_plain_words(
    tmp_path: Path, change: Callable[[str], str], more: bytes, match: str
) -> None:
    _records(tmp_path)
    run("records", "--db", tmp_path / "data", "backup", tmp_path / "b.zip")
    _repacked(tmp_path / "b.zip", tmp_path / "c.zip", change, more=more)
    said = run("records", "--db", tmp_path / "new", "import", tmp_path / "c.zip")
    assert said.exit_code == 2
    assert re.search(match, said.output)
    assert not [words for words in OWN_WORDS if words in said.output], said.output


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ("UPDATE tree SET ripening_month = 99", "ripening_month must be from 1 to 12"),
        ("UPDATE photo SET saved_at = 'yesterday'; UPDATE measurement SET body = "
         "json_replace(body, '$.photo.taken_at', 'today')", "a photo's row is damaged"),
        ("UPDATE decision SET body = '[1]'", "a photo's row is damaged"),
    ],
)  # fmt: skip
def test_check_finds_what_the_other_commands_would_stop_at(
    tmp_path: Path, change: str, match: str
) -> None:
    _records(tmp_path, *change.split("; "))
    said = run("records", "--db", tmp_path / "data", "check")
    assert said.exit_code == 1
    assert re.search(match, said.output)
    assert "whole" not in said.output


def test_sheets_name_the_cell_as_it_was_typed(tmp_path: Path) -> None:
    sheet = tmp_path / "s.csv"
    for cell, words in (("0x10", "a number"), ("'1,2.5", "a number"), ("5000", "from 0 to 200")):
        sheet.write_text(f'tree,size_mm\nQ,"{cell}"\n')
        said = run("season", "--trees", sheet, "--out", tmp_path / "o")
        assert said.exit_code == 2
        assert words in said.output
        assert "convert" not in said.output
    table = tmp_path / "hand.csv"
    table.write_text("seen,true\n1000,12\n")
    with pytest.raises(BadInputError, match="columns changed over"):
        read_hand_counts(table)


def test_a_progressive_photo_whose_last_scans_are_missing_is_refused() -> None:
    """Such a file ends as it should, and shows the whole limb, but coarsely."""
    for picture in (Image.fromarray(limb_rgb()), Image.fromarray(limb_rgb()).convert("L")):
        data = saved(picture, progressive=True, quality=90)
        read_photo(data)
        scans = [found.start() for found in re.finditer(b"\xff\xda", data)]
        for cut in scans[1:]:
            with pytest.raises(PhotoUnreadableError, match="damaged"):
                read_photo(data[:cut] + b"\xff\xd9")


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda text: text[:-60], "damaged or cut off"),
        (lambda text: text.replace(",yes,", ",maybe,", 1), "ok must be"),
        (lambda text: re.sub(r"(quick,\w+),\d+,", r'\1,"1,007",', text, count=1), "whole number"),
    ],
)
def test_a_changed_table_is_named(
    counted: tuple[Path, Path, str], tmp_path: Path, change: Callable[[str], str], match: str
) -> None:
    table = tmp_path / "photos.csv"
    table.write_text(change((counted[1] / "photos.csv").read_text()))
    said = run("tree", table, "--out", tmp_path / "sheet")
    assert said.exit_code == 2
    assert re.search(rf"photos\.csv, line \d: .*({match})", said.output)


def test_thousands_are_no_decimals(tmp_path: Path) -> None:
    table = tmp_path / "hand.csv"
    table.write_text('seen,true\n"1,234",1200\n')
    with pytest.raises(BadInputError, match="sign for thousands"):
        read_hand_counts(table)


def test_an_exported_table_that_lost_its_last_line_is_refused(tmp_path: Path) -> None:
    _records(tmp_path)
    run("records", "--db", tmp_path / "data", "export", tmp_path / "csv")
    table = tmp_path / "csv" / "decision.csv"
    whole = table.read_bytes()
    table.write_bytes(b"".join(whole.splitlines(keepends=True)[:-1]))
    said = run("records", "--db", tmp_path / "new", "import", tmp_path / "csv")
    assert said.exit_code == 2
    assert "decision.csv: has 0 rows, contents.csv tells of 1: was it cut short?" in said.output
    (tmp_path / "csv" / "contents.csv").unlink()  # as exports of earlier versions are
    said = run("records", "--db", tmp_path / "new", "import", tmp_path / "csv")
    assert said.exit_code == 0, said.output
