"""What is done already: a folder that was stopped goes on from here."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from fruitcount.errors import RecordError
from fruitcount.files import written_whole
from fruitcount.measurement_record import measurement_from_dict
from fruitcount.types import Measurement

_FOLDER = "measured"
LOG_NAME = "progress.jsonl"


class ProgressLog:
    """Rows in a text file, one JSON object a line; needs no database.

    Each photo's measurement lies in a file of its own beside it, named by its hash: rows stay short
    that way, and a thousand photos are planned from one table.

    Every row is on disk before the next photo is taken up. A line cut off by a crash is taken
    off when the file is opened again. One program at a time may write.

    Parameters
    ----------
    path : str or Path
        Made if it is not there.
    settings_key : str
        Rows with another key are kept but not counted as done.

    Raises
    ------
    RecordError
        When a line before the last cannot be read, or another program is writing.
    """

    def __init__(self, path: str | Path, settings_key: str) -> None:
        self._path, self._key = Path(path), settings_key
        self._path.parent.mkdir(parents=True, exist_ok=True)
        self._stream = self._path.open("a+b")
        try:
            self._lock()
            self._mend()
            # what failed is tried again: the drive may have failed, not the photo
            self._done = {str(row["sha256"]) for row in self._lines() if row.get("ok", True)}
        except BaseException:
            self._stream.close()
            raise

    def _lock(self) -> None:
        try:
            import fcntl
        except ImportError:  # Windows: the file is not locked
            return
        try:
            fcntl.flock(self._stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise RecordError(f"{self._path}: another batch is writing this file") from error

    def _mend(self) -> None:
        self._stream.seek(0)
        whole = sum(len(line) for line in self._stream if line.endswith(b"\n"))
        self._stream.truncate(whole)

    def _lines(self) -> Iterator[dict[str, Any]]:
        with self._path.open("rb") as stream:
            for number, line in enumerate(stream, start=1):
                if not line.endswith(b"\n"):
                    continue
                try:
                    row = json.loads(line)
                    if row["settings_key"] == self._key:
                        yield {"sha256": row["sha256"], **row["body"]}
                except (ValueError, KeyError, TypeError, RecursionError) as error:
                    raise RecordError(f"{self._path}, line {number}: cannot be read") from error

    def done(self) -> set[str]:
        """Hashes of photos that need not be counted again."""
        return set(self._done)

    def add(self, sha256: str, body: dict[str, Any]) -> bool:
        """Write a row to disk; False when there was one already, which then stays."""
        if sha256 in self._done:
            return False
        body = dict(body)
        measurement = body.pop("measurement", None)
        if measurement is not None:
            text = json.dumps(measurement, ensure_ascii=False, allow_nan=False)
            with written_whole(self._path.parent / _FOLDER) as draft:
                (draft / f"{sha256}.json").write_text(text, encoding="utf-8")
        row = {"sha256": sha256, "settings_key": self._key, "body": body}
        self._stream.write(json.dumps(row, ensure_ascii=False, allow_nan=False).encode() + b"\n")
        self._stream.flush()
        os.fsync(self._stream.fileno())
        self._done.add(sha256)
        return True

    def rows(self) -> list[dict[str, Any]]:
        """All rows with these settings, in the order written; of one photo the last holds."""
        return list(self._lines())

    def close(self) -> None:
        """Let another program write."""
        self._stream.close()


def counted_in(folder: Path) -> set[str]:
    """Hashes of the photos that the last batch in a folder counted; none where it has no log."""
    found: dict[str, set[str]] = {}
    with suppress(OSError, ValueError, LookupError, TypeError, RecursionError):
        for line in (folder / LOG_NAME).read_bytes().splitlines():
            row = json.loads(line)
            key = row["settings_key"]
            found = {key: found.get(key, set())}
            if row["body"].get("ok"):
                found[key].add(row["sha256"])
    return set().union(*found.values())


def measurement_in(row: Mapping[str, Any]) -> Measurement | None:
    """What a row itself holds as ``measurement``: it, its plain values, or what works it out."""
    held = row.get("measurement", row.get("seen"))  # its name in earlier versions
    if callable(held):
        held = held()
    return held if held is None or isinstance(held, Measurement) else measurement_from_dict(held)


def measurement_of(folder: Path, row: Mapping[str, Any]) -> Measurement | None:
    """A counted photo's measurement from the folder of a batch's results; None when not there.

    Raises
    ------
    RecordError
        When its file is damaged.
    """
    path = folder / _FOLDER / f"{row.get('sha256') or ''}.json"
    if not path.is_file():
        return None
    try:
        return measurement_from_dict(json.loads(path.read_text(encoding="utf-8")))
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        raise RecordError(f"{path}: is not a record of a counted limb") from error
