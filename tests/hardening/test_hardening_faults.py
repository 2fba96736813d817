"""Killed with -9, the clock set back, two programs at once, the server gone: nothing is lost.

What was told as done before the fault is counted and hashed after it.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from hardening.kit import limb_rgb, quick_count, run, saved
from hardening.server import Screen
from helpers import ROOT, add_edit, photo_bytes, undo

from fruitcount.store.archive import find_damage, read_archive, write_archive
from fruitcount.store.base import open_store
from fruitcount.store.photo_record import list_photos, load_record, save_measurement
from fruitcount.store.photos import save_photo
from fruitcount.tree.checkpoint import ProgressLog

pytestmark = pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")
HEAD = "import os, sys\nsys.path[:0] = [{root!r}, {ui!r}, {tests!r}]\nfrom pathlib import Path\n"


def _start(code: str, *words: object) -> subprocess.Popen[str]:
    head = HEAD.format(root=str(ROOT), ui=str(ROOT / "ui"), tests=str(ROOT / "tests"))
    return subprocess.Popen(
        [sys.executable, "-c", head + code, *map(str, words)], stdout=subprocess.PIPE, text=True,
        cwd=ROOT,
    )  # fmt: skip


def _lines_until_killed(child: subprocess.Popen[str], rng: random.Random, few: int) -> list[str]:
    """Lines that the child told of before it was killed at a random moment after the first few."""
    assert child.stdout is not None
    told = [child.stdout.readline() for _ in range(few)]
    time.sleep(rng.uniform(0, 0.05))
    child.kill()
    told += child.stdout.readlines()
    child.wait()
    child.stdout.close()
    return [line.strip() for line in told if line.endswith("\n")]


EDITS = """
from fruitcount.store.base import open_store
from fruitcount.store.photo_record import load_record
from helpers import add_edit, undo
store = open_store(sys.argv[1])
revision = load_record(store, 1).revision
while True:
    if revision % 7 == 6:
        revision = undo(store, 1, revision)
    else:
        edit = {"edit": "x", "n": revision + 1, "note": "y" * 500}
        revision = add_edit(store, 1, revision, edit)
    print(revision, flush=True)
"""


def test_killed_in_the_middle_of_edits(tmp_path: Path) -> None:
    """Every edit that was told as kept is kept; the history is whole after each kill."""
    path = tmp_path / "records.db"
    store = open_store(path)
    save_photo(store, b"photo", name="a.jpg")
    store.close()
    rng, last = random.Random(3), 0
    for _ in range(3):
        told = _lines_until_killed(_start(EDITS, path), rng, 5)
        numbers = [int(line) for line in told]
        assert numbers == list(range(last + 1, numbers[-1] + 1))
        store = open_store(path)
        assert find_damage(store) == []
        sheet = load_record(store, 1)
        assert sheet.revision in (numbers[-1], numbers[-1] + 1)  # one may be kept but not yet told
        assert photo_bytes(store, 1) == b"photo"
        last = sheet.revision
        store.close()
    assert last > 15


PHOTOS = """
import hashlib
from fruitcount.store.base import open_store
from fruitcount.store.photos import save_photo
store = open_store(sys.argv[1])
for k in range(int(sys.argv[2]), 10**6):
    data = b"%d" % k * 3000
    save_photo(store, data, name=f"{k}.jpg")
    print(hashlib.sha256(data).hexdigest(), flush=True)
"""


def test_killed_while_photos_are_kept(tmp_path: Path) -> None:
    path, rng, told = tmp_path / "records.db", random.Random(4), list[str]()
    for round_ in range(3):
        told += _lines_until_killed(_start(PHOTOS, path, round_ * 1000), rng, 3)
    store = open_store(path)
    kept = {p.key: p.number for p in list_photos(store)}
    assert set(told) <= set(kept)
    assert len(kept) - len(told) <= 3  # kept but not yet told, at most one a kill
    for sha256, number in kept.items():
        assert hashlib.sha256(photo_bytes(store, number)).hexdigest() == sha256
    # a spare file (a draft, or a photo whose row was not written yet) is told of, nothing else
    damage = find_damage(store)
    assert len(damage) <= 3
    assert all("no photo in the records" in line for line in damage)
    store.close()


COUNT = """
import fruitcount.jobs.count as files
from hardening.kit import quick_count
files.count_limb = quick_count
out, photos = Path(sys.argv[1]), sorted(Path(sys.argv[2]).iterdir())
choice = files.CountChoice(out)
files.count_files(photos, choice, report=lambda path, *_: print(path.stem, flush=True))
"""


def test_killed_while_results_are_written(tmp_path: Path) -> None:
    """What ``count`` told of is there whole; a photo's files are all there or none."""
    photos, out = tmp_path / "in", tmp_path / "out"
    photos.mkdir()
    for k in range(60):
        (photos / f"{k:03}.jpg").write_bytes(saved(limb_rgb()[::4, ::4]) + bytes([k]))
    told = _lines_until_killed(_start(COUNT, out, photos), random.Random(5), 4)
    assert 4 <= len(told) < 60
    for stem in told:
        record = json.loads((out / f"{stem}.json").read_text())
        assert record["measurement"]["photo"]["name"] == f"{stem}.jpg"
        assert (out / f"{stem}_plan.jpg").read_bytes().endswith(b"\xff\xd9")
    for path in out.glob("*.json"):
        json.loads(path.read_text())
    drafts = [p for p in out.iterdir() if p.name.startswith(".part-")]
    assert len(drafts) <= 1  # hidden, and never taken for a result


FOLDER = """
import fruitcount.tree.photos as row
from functools import partial
from hardening.kit import quick_count
row.count_limb = quick_count
from fruitcount.tree.checkpoint import ProgressLog
from fruitcount.tree.run import BatchSettings
from fruitcount.tree.folder import count_folder
ledger = ProgressLog(Path(sys.argv[1]), "key")
count_folder(sys.argv[2], row.count_photo, progress_log=ledger, settings=BatchSettings("serial"),
             progress=lambda now: now.done_n > now.skipped_n and print(now.done_n, flush=True))
"""


def test_killed_in_the_middle_of_a_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two kills; then it ends by itself: every photo once, with the hash of its bytes."""
    photos, progress_log = tmp_path / "in" / "tree", tmp_path / "progress.jsonl"
    photos.mkdir(parents=True)
    wanted = set()
    for k in range(80):
        data = saved(limb_rgb()[::4, ::4]) + bytes([k])
        (photos / f"{k:03}.jpg").write_bytes(data)
        wanted.add(hashlib.sha256(data).hexdigest())
    rng, before = random.Random(6), list[bytes]()
    for _ in range(2):
        told = _lines_until_killed(_start(FOLDER, progress_log, photos.parent), rng, 3)
        kept = progress_log.read_bytes()
        whole = kept[: kept.rfind(b"\n") + 1].splitlines()
        assert len(whole) >= len(before) + len(told)
        assert whole[: len(before)] == before  # what was written stays written
        before = whole
    assert len(before) < 80, "no kill hit a running batch"
    from fruitcount.tree import photos as photo_row
    from fruitcount.tree.folder import count_folder
    from fruitcount.tree.run import BatchSettings

    monkeypatch.setattr(photo_row, "count_limb", quick_count)
    again = ProgressLog(progress_log, "key")
    count = count_folder(photos.parent, photo_row.count_photo, progress_log=again,
                         settings=BatchSettings("serial"))  # fmt: skip
    again.close()
    rows = [json.loads(line) for line in progress_log.read_text().splitlines()]
    assert {row["sha256"] for row in rows} == wanted
    assert len(rows) == len(count.rows) == 80
    assert all(row["ok"] for row in count.rows)


class Clock:
    """A clock that jumps: each reading is the next of a list, then stays at the last."""

    def __init__(self, *years: int) -> None:
        self.years = list(years)

    def text(self) -> str:
        year = self.years.pop(0) if len(self.years) > 1 else self.years[0]
        return f"{year}-05-02T08:00:00+00:00"


def _seen(name: str) -> Any:
    from dataclasses import replace

    from hardening.fuzz_readers import _seen as good

    return replace(good(), name=name)


def test_the_clock_goes_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Order comes from numbers, not from the clock: the last result and edit stay the last."""
    from fruitcount.store import tables

    clock = Clock(2026, 2031, 2001, 1970)
    monkeypatch.setattr(tables, "now_text", clock.text)
    store = open_store(tmp_path / "records.db")
    photo = save_photo(store, b"photo", name="a.jpg")
    for k in range(4):
        save_measurement(store, photo, _seen(f"result {k}"))
        sheet = load_record(store, photo)
        assert sheet.measurement is not None
        assert sheet.measurement.name == f"result {k}"
    revision = 0
    for n in range(5):
        revision = add_edit(store, photo, revision, {"n": n})
    revision = undo(store, photo, revision)
    assert [edit["n"] for edit in load_record(store, photo).edits] == [0, 1, 2, 3]
    assert find_damage(store) == []
    store.close()


@pytest.mark.parametrize("seconds", [0.0, 4_102_444_800.0, 5_000_000_000.0])
def test_a_backup_at_any_time_of_the_clock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seconds: float
) -> None:
    """A machine without a battery starts in 1970; zip files know no date before 1980."""
    store = open_store(tmp_path / "records.db")
    save_photo(store, b"photo" * 100, name="a.jpg")
    real = time.time
    monkeypatch.setattr(time, "time", lambda: seconds)
    write_archive(store, tmp_path / "all.zip")
    monkeypatch.setattr(time, "time", real)
    other = open_store(tmp_path / "other.db")
    read_archive(other, tmp_path / "all.zip")
    assert photo_bytes(other, 1) == b"photo" * 100
    other.close()
    store.close()


def test_a_folder_is_counted_while_the_clock_jumps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fruitcount.tree.photos.count_limb", quick_count)
    (tmp_path / "in").mkdir()
    for k in range(4):
        (tmp_path / "in" / f"{k}.jpg").write_bytes(saved(limb_rgb()[::4, ::4]) + bytes([k]))
    moments = iter([5e9, 0.0] * 5000)
    monkeypatch.setattr(time, "time", lambda: next(moments))
    assert run("folder", tmp_path / "in", "--out", tmp_path / "o", "--workers", 1).exit_code == 0
    assert len((tmp_path / "o" / "progress.jsonl").read_text().splitlines()) == 4


WRITER = """
from fruitcount.store.base import RevisionConflictError, open_store
from fruitcount.store.photo_record import load_record
from fruitcount.store.photos import save_photo
from helpers import add_edit
store, me = open_store(sys.argv[1]), sys.argv[2]
for n in range(25):
    save_photo(store, f"{me} {n}".encode() * 50, name=f"{me}{n}.jpg")
    while True:
        try:
            base = load_record(store, 1).revision
            add_edit(store, 1, base, {"by": me, "n": n})
            break
        except RevisionConflictError:
            continue
store.close()
"""


def test_two_programs_on_one_database(tmp_path: Path) -> None:
    """Two writers and a reader at once: all 50 photos and all 50 edits are there, in order."""
    path = tmp_path / "records.db"
    store = open_store(path)
    save_photo(store, b"shared", name="shared.jpg")
    children = [_start(WRITER, path, me) for me in ("a", "b")]
    while any(child.poll() is None for child in children):
        list_photos(store)
        time.sleep(0.05)
    assert [child.wait() for child in children] == [0, 0]
    for child in children:
        assert child.stdout is not None
        child.stdout.close()
    assert find_damage(store) == []
    edits = load_record(store, 1).edits
    for me in ("a", "b"):
        assert [e["n"] for e in edits if e["by"] == me] == list(range(25))
    texts = [f"{me} {n}" for me in "ab" for n in range(25)]
    wanted = {hashlib.sha256(text.encode() * 50).hexdigest() for text in texts}
    kept = {p.key: p.number for p in list_photos(store)}
    assert set(kept) - {hashlib.sha256(b"shared").hexdigest()} == wanted
    assert all(hashlib.sha256(photo_bytes(store, n)).hexdigest() == s for s, n in kept.items())
    store.close()


def test_two_batches_do_not_write_one_table(tmp_path: Path) -> None:
    """The second is told so at once, and the first is not disturbed."""
    first = ProgressLog(tmp_path / "progress.jsonl", "key")
    first.add("a" * 64, {"ok": True})
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "x.jpg").write_bytes(b"x")
    result = run("folder", tmp_path / "in", "--out", tmp_path, "--workers", 1)
    assert result.exit_code == 2
    assert "another batch is writing" in result.output
    assert first.add("b" * 64, {"ok": True})
    assert len(first.rows()) == 2
    first.close()


def test_the_screens_server_is_killed_and_comes_back(tmp_path: Path) -> None:
    """Photos and edits are the same after a kill -9 in the middle of requests; so is the login."""
    from fruitcount.store.kept import Event, Records

    data = tmp_path / "data"
    data.mkdir()
    store = open_store(data / "records.db", photos_folder=data / "photos")
    records, photo = Records(store), saved(limb_rgb()[::2, ::2])
    key = records.add_photo(photo, "limb.jpg")
    records.keep_seen(key, _seen("limb.jpg"))
    screen = Screen(data, "green peaches 12")
    screen.start()
    cookie = screen.login()
    first = screen.ask(f"/photo/{key}", Cookie=cookie)
    assert first[0] == 200
    step = {"do": {"edit": "x"}}
    for n in range(1, 11):
        records.add_steps(key, [Event(n, "phone", n, step)])
    asking = threading.Thread(target=_ask_until_dead, args=(screen, f"/photo/{key}", cookie))
    asking.start()
    time.sleep(0.3)
    screen.kill()
    asking.join(30)
    screen.start()
    try:
        again = screen.ask(f"/photo/{key}", Cookie=cookie)
        assert (again[0], again[2]) == (200, first[2])
        assert [e.revision for e in records.steps(key)] == list(range(1, 11))
        assert records.path(key).read_bytes() == photo
        assert find_damage(store) == []
    finally:
        screen.kill()
        store.close()


def _ask_until_dead(screen: Screen, path: str, cookie: str) -> None:
    for k in range(10_000):
        try:
            screen.ask(f"{path}?side={64 + k % 500}", Cookie=cookie)
        except (OSError, ValueError, EOFError):
            return
        except Exception:  # an answer cut off in its middle
            return


def test_ctrl_c_keeps_the_table_of_what_is_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from fruitcount.jobs import count as files

    monkeypatch.setattr(files, "count_limb", quick_count)
    photos = []
    for k in range(5):
        photos.append(tmp_path / f"{k}.jpg")
        photos[-1].write_bytes(saved(limb_rgb()[::4, ::4]) + bytes([k]))

    def stop(path: Path, *_: object) -> None:
        if path.stem == "2":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        files.count_files(photos, files.CountChoice(tmp_path / "o"), report=stop)
    lines = (tmp_path / "o" / "counts.csv").read_text().splitlines()
    assert [line.split(",")[0] for line in lines] == ["photo", "0.jpg", "1.jpg", "2.jpg"]
    assert sorted(p.name for p in (tmp_path / "o").glob("*.json")) == ["0.json", "1.json", "2.json"]
