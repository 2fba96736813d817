"""A network drive, simulated: slow, in small pieces, and failing now and then.

SQLite reads and writes by itself, so that its own file is not slowed here; a locked, full or
read-only place of a database is in ``test_hardening_places.py``.
"""

from __future__ import annotations

import builtins
import errno
import io
import json
import os
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hardening.kit import CLASSICAL, count_quickly, left_behind, limb_rgb, run, saved
from helpers import photo_bytes

from fruitcount.errors import NotWrittenError, RecordError
from fruitcount.store.base import open_store
from fruitcount.store.photos import save_photo

PIECE = 4096


class Drive:
    """All below a folder is read and written piece by piece; the step ``fails_at`` is an error.

    Before each step somebody else looks at what lies there: the longer a write takes, the likelier
    another program or phone reads in its middle.
    """

    def __init__(self, root: Path, fault: int, fails_at: int = -1) -> None:
        self.root, self.fault, self.fails_at = root, fault, fails_at
        self.steps, self.looking = 0, False

    def step(self, path: Any) -> None:
        if not self.looking and str(path).startswith(str(self.root)):
            self.steps += 1
            if self.fails_at < 0 and self.steps % 5 == 0:
                self.looking = True
                assert half_files(self.root) == []
                self.looking = False
            if self.steps == self.fails_at:
                raise OSError(self.fault, os.strerror(self.fault), str(path))

    def mount(self, patch: pytest.MonkeyPatch) -> None:
        real, drive = io.open, self

        class Pieces(io.FileIO):
            def readinto(self, room: Any) -> int:
                drive.step(self.name)
                return super().readinto(memoryview(room).cast("B")[:PIECE])

            def readall(self) -> bytes:
                return b"".join(iter(lambda: self.read(PIECE), b""))

            def read(self, size: int = -1) -> bytes:
                drive.step(self.name)
                return super().read(size)

            def write(self, data: Any) -> int:
                drive.step(self.name)
                return super().write(memoryview(data).cast("B")[:PIECE])

        def opened(file: Any, mode: str = "r", *given: Any, **more: Any) -> Any:
            path = os.fspath(file) if isinstance(file, str | Path) else ""
            if not path.startswith(str(drive.root)):
                return real(file, mode, *given, **more)
            drive.step(path)
            raw = Pieces(path, mode.replace("b", ""), opener=more.get("opener"))
            both = io.BufferedRandom if "+" in mode else io.BufferedReader
            stream = both(raw) if "+" in mode or "r" in mode else io.BufferedWriter(raw)
            if "b" in mode:
                return stream
            text = dict(zip(("buffering", "encoding", "errors", "newline"), given, strict=False))
            words = {k: v for k, v in {**text, **more}.items() if k in ("encoding", "errors")}
            return io.TextIOWrapper(
                stream, **words, newline=more.get("newline", text.get("newline"))
            )

        patch.setattr(builtins, "open", opened)
        patch.setattr(io, "open", opened)
        for name in ("replace", "mkdir", "scandir", "fsync"):
            patch.setattr(os, name, self._stepping(getattr(os, name)))

    def _stepping(self, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(path: Any, *given: Any, **more: Any) -> Any:
            named = os.readlink(f"/proc/self/fd/{path}") if isinstance(path, int) else path
            self.step(named)
            return real(path, *given, **more)

        return call


def half_files(folder: Path) -> list[str]:
    """Files under their final names that are not whole."""
    half = []
    for file in sorted(p for p in folder.rglob("*") if p.is_file()):
        if any(part.startswith(".part-") for part in file.parts) or file.suffix == ".part":
            continue
        descriptor = os.open(file, os.O_RDONLY)
        data = os.read(descriptor, 1 << 24)
        os.close(descriptor)
        try:
            _read_whole(file.suffix, data)
        except (ValueError, zipfile.BadZipFile):
            half.append(file.relative_to(folder).as_posix())
    return half


def _read_whole(suffix: str, data: bytes) -> None:
    endings = {".jpg": b"\xff\xd9", ".pdf": b"%%EOF\n", ".csv": b"\n"}
    photo = data[:-1] if suffix == ".jpg" and len(data) and data[-1] < 2 else data
    if not photo.endswith(endings.get(suffix, b"")):
        raise ValueError(suffix)
    if suffix == ".json":
        json.loads(data)
    if suffix == ".zip":
        zipfile.ZipFile(io.BytesIO(data)).close()


def _folder(drive: Path) -> None:
    for k in range(2):
        photo = drive / "in" / "north" / f"{k:03}.jpg"
        photo.parent.mkdir(parents=True, exist_ok=True)
        photo.write_bytes(saved(limb_rgb()[::4, ::4]) + bytes([k]))


def _records(drive: Path) -> None:
    _folder(drive)
    with_photos = open_store(drive.parent / "kept.db", photos_folder=drive / "photos")
    for photo in sorted((drive / "in" / "north").iterdir()):
        save_photo(with_photos, photo.read_bytes(), name=photo.name)
    with_photos.close()
    (drive.parent / "kept-photos").symlink_to(drive / "photos")


def _backup(drive: Path) -> None:
    _records(drive)
    assert (
        run("records", "--db", drive.parent / "kept.db", "backup", drive / "b.zip").exit_code == 0
    )


def _counted(drive: Path) -> None:
    _folder(drive)
    assert run("folder", drive / "in", "--out", drive / "rows", *ONE).exit_code == 0


ONE = ("--workers", 1, *CLASSICAL)
# what lies there before, and the command; DRIVE and KEPT stand for places
JOBS: dict[str, tuple[Callable[[Path], None], list[Any]]] = {
    "count": (_folder, ["count", "DRIVE/in/north/000.jpg", "DRIVE/in/north/001.jpg", "--out",
                        "DRIVE/out", "--also", "sheet", *CLASSICAL]),
    "record": (_folder, ["count", "DRIVE/in/north/000.jpg", "--record", "--db",
                         "DRIVE/records.db", "--out", "DRIVE/out", *CLASSICAL]),
    "folder": (_folder, ["folder", "DRIVE/in", "--out", "DRIVE/out", *ONE]),
    "tree": (_counted, ["tree", "DRIVE/rows", "--out", "DRIVE/out", "--spacing", "15cm"]),
    "backup": (_records, ["records", "--db", "KEPT/kept.db", "backup", "DRIVE/all.zip"]),
    "export": (_records, ["records", "--db", "KEPT/kept.db", "export", "DRIVE/tables"]),
    "import": (_backup, ["records", "--db", "DRIVE/new.db", "import", "DRIVE/b.zip"]),
    "card": (_folder, ["card", "DRIVE/cards.pdf"]),
}  # fmt: skip


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="needs /proc")
@pytest.mark.parametrize("job", JOBS)
def test_a_slow_drive_that_fails_now_and_then(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, job: str
) -> None:
    """Slow: as always. Failing at a step: told in words, nothing by halves, and then done again."""
    count_quickly(monkeypatch)
    before, words = JOBS[job]

    def done(name: str, fails_at: int, fault: int = errno.ETIMEDOUT) -> tuple[Any, Path, int]:
        drive = tmp_path / name / "drive"
        if not drive.exists():
            drive.mkdir(parents=True)
            before(drive)
        command = [str(w).replace("DRIVE", str(drive)).replace("KEPT", str(drive.parent))
                   for w in words]  # fmt: skip
        mounted = Drive(drive, fault, fails_at)
        with monkeypatch.context() as patch:
            mounted.mount(patch)
            result = run(*command)
        return result, drive, mounted.steps

    result, drive, steps = done("slow", -1)
    assert result.exit_code == 0, result.output
    wanted = _names(drive)
    for k, fails_at in enumerate(range(steps, 0, -max(1, steps // 5))):
        fault = (errno.ETIMEDOUT, errno.EIO, errno.ESTALE)[k % 3]
        result, drive, _ = done(f"fails {k}", fails_at, fault)
        assert half_files(drive) == []
        if result.exit_code == 0:  # what was missing could be done without
            assert _names(drive) == wanted
            continue
        said = (os.strerror(fault), "cannot be read", "cannot be opened")
        assert any(words in result.output for words in said), result.output
        assert left_behind(drive) == []
        assert _names(drive) <= wanted
        again, drive, _ = done(f"fails {k}", 0)
        assert again.exit_code == 0, again.output
        assert (_names(drive), half_files(drive)) == (wanted, [])
        shutil.rmtree(drive.parent)


def _names(folder: Path) -> set[str]:
    names = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    return {n for n in names if not n.endswith(("-wal", "-shm"))}


def test_photos_and_tables_are_read_as_they_are_from_a_slow_drive(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The bytes kept of a photo, and the rows of an export, are the same as from a quick one."""
    count_quickly(monkeypatch)
    _folder(tmp_path)
    photo = tmp_path / "in" / "photo.jpg"
    photo.write_bytes(saved(limb_rgb()[::4, ::4]))
    store, data = open_store(tmp_path / "records.db"), photo.read_bytes()
    with monkeypatch.context() as patch:
        Drive(tmp_path, errno.EIO).mount(patch)
        number = save_photo(store, photo)
        result = run("count", photo, "--out", tmp_path / "slow", *CLASSICAL)
    assert result.exit_code == 0
    assert run("count", photo, "--out", tmp_path / "quick", *CLASSICAL).exit_code == 0
    for name in ("counts.csv", "photo.json", "photo_plan.jpg"):
        assert (tmp_path / "slow" / name).read_bytes() == (tmp_path / "quick" / name).read_bytes()
    assert photo_bytes(store, number) == data
    shutil.rmtree(tmp_path / "records-photos")  # all is gone at once
    with pytest.raises((RecordError, NotWrittenError), match="records-photos"):
        photo_bytes(store, number)
    store.close()
