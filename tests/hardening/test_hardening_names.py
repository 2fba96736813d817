"""File names that no form foresaw, links, pipes and folders that cannot be opened."""

from __future__ import annotations

import csv
import json
import os
import re
import tempfile
import time
import traceback
from collections.abc import Iterator
from datetime import date
from itertools import chain
from pathlib import Path

import icalendar
import pypdf
import pytest
from hardening.kit import CLASSICAL, count_quickly, left_behind, limb_rgb, run, saved
from hypothesis import given, settings
from hypothesis import strategies as st

from fruitcount.errors import PhotoUnreadableError
from fruitcount.files import shown_name
from fruitcount.image.photo import read_photo
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.base import open_store
from fruitcount.store.orchard import load_trees, save_tree
from fruitcount.tree.assignment import Assigned, place_by_name

NAMES = {
    "not utf-8": b"caf\xe9.jpg",
    "newline": b"a\nb.jpg",
    "escape": b"\x1b[31mred\x1b[0m.jpg",
    "turned": "\u202egpj.exe.jpg".encode(),
    "markup": b"<img src=x onerror=alert(1)>.jpg",
    "entity": b"&lt;b&gt; & 'c' \"d\".jpg",
    "formula": b'=HYPERLINK("http:x","y").jpg',
    "formula +": b"+1+cmd.jpg",
    "formula -": b"-2+3.jpg",
    "formula @": b"@SUM(A1).jpg",
    "dots": b"..jpg",
    "percent": b"%s%n%2e%2e.jpg",
    "backslashes": b"..\\..\\etc\\x.jpg",
    "emoji": "\U0001f351 limb.jpg".encode(),
    "long": b"l" * 200 + b".jpg",
    "spaces": b"   .jpg",
    "reserved": b"CON.jpg",
}


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    count_quickly(monkeypatch)


@pytest.fixture(scope="module")
def photo() -> bytes:
    return saved(limb_rgb()[::3, ::3])


def test_every_name_is_counted_written_and_read_again(tmp_path: Path, photo: bytes) -> None:
    folder, out = tmp_path / "in", tmp_path / "out"
    folder.mkdir()
    for k, name in enumerate(NAMES.values()):
        Path(os.fsdecode(os.fsencode(folder) + b"/" + name)).write_bytes(photo + bytes([k]))
    result = run("count", *sorted(folder.iterdir()), "--out", out, *CLASSICAL, "--no-picture",
                 "--also", "voc", "--also", "coco")  # fmt: skip
    assert result.exit_code == 0, result.output[-2000:]
    assert "\x1b" not in result.output
    assert "\u202e" not in result.output
    written = sorted(p.relative_to(out).as_posix() for p in out.rglob("*"))
    assert all(p.parent == out for p in out.rglob("*"))
    assert sum(name.endswith(".json") and ".coco" not in name for name in written) == len(NAMES)
    for path in out.glob("*.json"):
        json.loads(path.read_text(encoding="utf-8"))
    with (out / "counts.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == len(NAMES)
    assert len({row["sha256"] for row in rows}) == len(NAMES)
    assert not [row for row in rows if row["photo"][:1] in "=+-@"]
    assert all(row["status"] == "counted" for row in rows)
    assert left_behind(tmp_path) == []


def test_every_name_goes_through_a_folder_and_a_tree(tmp_path: Path, photo: bytes) -> None:
    out = tmp_path / "out"
    for k, name in enumerate(NAMES.values()):
        # the name is the tree's as well, as far as a folder may be called so
        tree = os.fsencode(tmp_path / "in") + b"/" + name.removesuffix(b".jpg").strip(b".")[:90]
        Path(os.fsdecode(tree)).mkdir(parents=True, exist_ok=True)
        Path(os.fsdecode(tree + b"/" + name)).write_bytes(photo + bytes([k]))
    result = run("folder", tmp_path / "in", "--out", out, "--workers", 1, *CLASSICAL)
    assert result.exit_code == 0, result.output[-2000:]
    assert "\x1b" not in result.output
    text = (out / "photos.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    seen = [name for name in NAMES.values() if not name.startswith(b".")]  # others are hidden
    assert len({row["sha256"] for row in rows}) == len(rows) == len(seen)
    assert not [cell for row in rows for cell in row.values() if cell[:1] in tuple("=+-@")]
    for line in (out / "progress.jsonl").read_text(encoding="utf-8").splitlines():
        json.loads(line)
    assert run("tree", out, "--tree", "no such tree", "--out", out).exit_code == 2


def test_photos_of_one_name_keep_their_own_results(tmp_path: Path, photo: bytes) -> None:
    paths = [tmp_path / "a" / "x.jpg", tmp_path / "b" / "x.jpg", tmp_path / "b" / "x.JPEG",
             tmp_path / "b" / "counts.jpg"]  # fmt: skip
    for k, path in enumerate(paths):
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(photo + bytes([k]))
    out = tmp_path / "out"
    assert run("count", *paths, "--out", out, *CLASSICAL, "--no-picture").exit_code == 0
    told = {json.loads(p.read_text())["measurement"]["photo"]["sha256"] for p in out.glob("*.json")}
    assert len(told) == len(paths)
    assert (out / "counts.csv").read_text().startswith("photo,")


def test_names_in_a_sheet_reach_the_terminal_without_escapes(tmp_path: Path) -> None:
    evil = "\x1b]0;owned\x07\x1b[2J"
    sheet = tmp_path / "trees.csv"
    sheet.write_text(f"name,block,variety,bloom_date\n{evil}N,{evil},{evil},2026-03-18\n")
    result = run("season", "--trees", sheet, "--day", "2026-05-01", "--out", tmp_path / "o")
    assert result.exit_code == 0, result.output
    assert "\x1b" not in result.output
    table = tmp_path / "photos.csv"
    table.write_text(
        "file,tree,limb,ok,count_n,base_diameter_mm,length_mm,look\n"
        f"a.jpg,{evil}N,{evil}1,yes,20,22,900,\nb.jpg,{evil}N,{evil}2,yes,30,25,800,\n"
    )
    result = run("tree", table, "--out", tmp_path / "o2")
    assert result.exit_code == 0, result.output
    assert "\x1b" not in result.output


ODD = (
    "=1+1 \x1b[31mA\x07\x00b\x9b1m\r\nBEGIN:VALARM\r\nX:1\u2028Z \u202egpj\u2066b \udce9",
    '\uff1d1+1 <b>&amp;</b><font size="99">\' שלום مرحبا 日本語 '
    "\U0001f469\U0001f3fd\u200d\U0001f33e e" + "\u0301" * 99,
    "\t@x" + "W" * 4000,
    "- " + "W " * 2000,
)
_TURNING_OR_CONTROL = re.compile(
    "[\x00-\x09\x0b\x0d-\x1f\x7f-\x9f\u2028\u202a-\u202e\u2066-\u2069]"
)


def test_odd_names_of_trees_limbs_and_blocks_in_every_file(tmp_path: Path, photo: bytes) -> None:
    """As typed after ``--tree`` and ``--limb`` and in a tree's facts: terminal, CSV, PDF, ICS."""
    db, out, said = tmp_path / "data" / "records.db", tmp_path / "out", ""
    for k, name in enumerate(ODD):
        (tmp_path / f"{k}.jpg").write_bytes(photo + bytes([k]))
        done = run("count", tmp_path / f"{k}.jpg", "--record", "--tree", name, "--limb", name,
                   "--db", db, "--out", out, *CLASSICAL, "--no-picture")  # fmt: skip
        assert done.exit_code == 0, done.output
        said += done.output
    store = open_store(db, photos_folder=db.parent / "photos")
    for name in ODD:
        facts = dict.fromkeys(("variety", "block", "rootstock", "note"), name)
        save_tree(store, OrchardTree(name, bloom_date=date(2026, 3, 18), **facts), year=2026)
    trees = load_trees(store, year=2026)
    store.close()
    assert len(trees) == len(ODD)
    for k, tree in enumerate(trees):
        done = run("tree", "--db", db, "--tree", tree.name, "--out", out / str(k))
        assert done.exit_code == 0, done.output
        said += done.output
    again = tmp_path / "again" / "records.db"
    for words in (
        ["season", "--db", db, "--day", "2026-05-01", "--out", out / "season"],
        ["records", "--db", db, "export", out / "tables"],
        ["records", "--db", again, "import", out / "tables"],
    ):
        done = run(*words)
        assert done.exit_code == 0, done.output
        said += done.output
    assert not _TURNING_OR_CONTROL.search(said)
    _no_name_does_harm(out)


def _no_name_does_harm(out: Path) -> None:
    """Nothing that a spreadsheet runs, that turns words round, or that adds a calendar entry."""
    for path in out.rglob("*.csv"):
        with path.open(newline="", encoding="utf-8") as stream:
            for cell in chain.from_iterable(csv.reader(stream)):
                assert not _TURNING_OR_CONTROL.search(cell), (path.name, cell)
                assert not re.match("[=+\\-@\uff1d\uff0b\uff0d\uff20](?![0-9.]+$)", cell), cell
    for path in out.rglob("*.pdf"):
        words = "".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
        assert not _TURNING_OR_CONTROL.search(words), path.name
    (calendar,) = out.rglob("*.ics")
    parts = icalendar.Calendar.from_ical(calendar.read_bytes()).subcomponents
    assert {part.name for part in parts} == {"VEVENT"}


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("limb 3.jpg", "limb 3.jpg"),
        ("caf\u00e9.jpg", "caf\u00e9.jpg"),
        ("caf\udce9.jpg", "caf\ufffd.jpg"),
        ("a\r\nb", "a\ufffd\ufffdb"),
        ("\u2066x\u2069", "\ufffdx\ufffd"),
        ("x" * 300, "x" * 239 + "\u2026"),
    ],
)
def test_shown_names(name: str, shown: str) -> None:
    assert shown_name(name) == shown
    shown.encode()


def test_a_pattern_of_many_stars_ends() -> None:
    started = time.process_time()
    assert place_by_name("a" * 200 + ".jpg", "*" * 60 + "x") == Assigned()
    assert place_by_name("_" * 200 + ".jpg", "{tree}_*_*_*_*_*_*_{limb}_*_*_x") == Assigned()
    assert time.process_time() - started < 1.0


@settings(max_examples=300, deadline=None)
@given(
    st.lists(st.sampled_from(["{tree}", "{limb}", "*", "_", "-", "a", "_a"]), max_size=7),
    st.text("a_-b", max_size=12),
)
def test_a_pattern_means_what_trying_everything_finds(pieces: list[str], name: str) -> None:
    """The same as a plain regular expression that may try again, which can take for ever."""
    if pieces.count("{tree}") > 1 or pieces.count("{limb}") > 1:
        return
    pattern = "".join(pieces)
    slow = "".join(
        ".*?" if p == "*" else f"(?P<{p[1:-1]}>.+?)" if p[0] == "{" else re.escape(p)
        for p in pieces
    )
    found = re.fullmatch(slow, Path(f"{name}.jpg").stem, re.IGNORECASE | re.DOTALL)
    wanted = Assigned(**found.groupdict()) if found else Assigned()
    assert place_by_name(f"{name}.jpg", pattern) == wanted


@pytest.fixture
def links(tmp_path: Path, photo: bytes) -> Path:
    folder = tmp_path / "links"
    (folder / "sub").mkdir(parents=True)
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "far.jpg").write_bytes(photo)
    (folder / "good.jpg").write_bytes(photo + b"1")
    (folder / "dangling.jpg").symlink_to(folder / "nothing.jpg")
    (folder / "itself.jpg").symlink_to(folder / "itself.jpg")
    (folder / "sub" / "round").symlink_to(folder)
    (folder / "to outside").symlink_to(tmp_path / "outside")
    (folder / "secret.jpg").symlink_to("/etc/passwd")
    (folder / "endless.jpg").symlink_to("/dev/zero")
    os.mkfifo(folder / "pipe.jpg")
    return folder


def test_links_and_pipes_end(tmp_path: Path, links: Path) -> None:
    """Loops are not followed, folders outside are not entered, pipes and devices not waited for."""
    out = tmp_path / "out"
    result = run("folder", links, "--out", out, "--workers", 1, *CLASSICAL)
    assert result.exit_code == 1
    with (out / "photos.csv").open() as stream:
        rows = {row["file"]: row for row in csv.DictReader(stream)}
    assert set(rows) == {"good.jpg", "dangling.jpg", "itself.jpg", "secret.jpg", "endless.jpg",
                         "pipe.jpg"}  # fmt: skip
    assert [name for name, row in rows.items() if row["ok"] == "yes"] == ["good.jpg"]
    assert "root:" not in (out / "photos.csv").read_text() + result.output


def test_results_among_the_photos_are_no_photos(tmp_path: Path, photo: bytes) -> None:
    """Counted in the folder of the photos themselves, twice: the drawn pictures are no limbs."""
    (tmp_path / "a.jpg").write_bytes(photo)
    (tmp_path / "my_plan.jpg").write_bytes(photo + b"1")  # a photo that is only called so
    out = tmp_path / "out"
    count = ["count", tmp_path / "a.jpg", "--out", out, *CLASSICAL, "--also", "diagram"]
    assert run(*count).exit_code == 0
    for _ in range(2):
        result = run("folder", tmp_path, "--out", out, "--workers", 1, "--pictures", *CLASSICAL)
        assert result.exit_code == 0, result.output
        with (out / "photos.csv").open() as stream:
            assert [row["file"] for row in csv.DictReader(stream)] == ["a.jpg", "my_plan.jpg"]


@pytest.mark.parametrize("name", ["dangling", "itself", "secret", "endless", "pipe"])
def test_each_is_refused_at_once(links: Path, name: str) -> None:
    with pytest.raises(PhotoUnreadableError, match=rf"^{name}\.jpg: "):
        read_photo(links / f"{name}.jpg")


def _as_nobody(command: list[object], said: Path) -> int:
    """Run a command in a copy of this process that has given root up; its exit code."""
    said.touch()
    said.chmod(0o666)
    child = os.fork()
    if child == 0:
        code = 99
        try:
            os.setgroups([])
            os.setgid(65534)
            os.setuid(65534)
            result = run(*command)
            said.write_text(result.output)
            code = result.exit_code
        except BaseException:
            said.write_text(traceback.format_exc())
        os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


@pytest.fixture
def open_to_all() -> Iterator[Path]:
    """A folder that everyone may enter; the usual one is its owner's alone."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


@pytest.mark.skipif(
    not hasattr(os, "fork") or os.geteuid() != 0, reason="needs root, to give it up"
)
def test_a_folder_that_may_not_be_opened_is_told_of(open_to_all: Path, photo: bytes) -> None:
    """Root may open anything, so that the command runs as nobody."""
    folder, out = open_to_all / "in", open_to_all / "out"
    for name in ("open", "closed"):
        (folder / name).mkdir(parents=True)
        (folder / name / "a.jpg").write_bytes(photo + name.encode())
    (folder / "open" / "locked.jpg").write_bytes(photo)
    (folder / "open" / "locked.jpg").chmod(0)
    (folder / "closed").chmod(0)
    out.mkdir(mode=0o777)
    out.chmod(0o777)
    command = ["folder", folder, "--out", out, "--workers", 1, *CLASSICAL]
    run(*command[:3], open_to_all / "first", *command[4:])  # as root: loads all that is needed
    code = _as_nobody(command, open_to_all / "said")
    said = (open_to_all / "said").read_text()
    assert code == 1, said
    with (out / "photos.csv").open() as stream:
        rows = {row["file"]: row for row in csv.DictReader(stream)}
    assert {name: row["ok"] for name, row in rows.items()} == {
        "closed": "no",
        "open/a.jpg": "yes",
        "open/locked.jpg": "no",
    }
    assert rows["closed"]["problem"] == "cannot be opened"
