"""A folder of photos to one row each; goes on where it stopped."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fruitcount.tree.checkpoint import Ledger
from fruitcount.tree.engines import ENGINES, BatchSettings, PhotoWork
from fruitcount.tree.photos import file_hash


@dataclass(frozen=True)
class Progress:
    """How far a batch is.

    Attributes
    ----------
    done_n, total_n : int
        Files dealt with, and files in all.
    skipped_n : int
        Of those done, how many had a row from before, or the same bytes as an earlier file.
    bad_n : int
        Of those done now, how many could not be read.
    elapsed_s : float
    left_s : float
        Expected time left; NaN until a photo has been done.
    """

    done_n: int
    total_n: int
    skipped_n: int
    bad_n: int
    elapsed_s: float
    left_s: float


@dataclass(frozen=True)
class BatchResult:
    """What came of a batch.

    Attributes
    ----------
    files : tuple of (path, sha256)
        Every file in order; an empty hash where the file could not be opened at all.
    progress : Progress
        As it stood at the end.
    """

    files: tuple[tuple[str, str], ...]
    progress: Progress

    def rows(self, ledger: Ledger) -> Iterator[dict[str, Any]]:
        """One row a file, in order: ``file``, ``same_as`` (an earlier file with the same bytes,
        or empty), then what the ledger holds.

        Parameters
        ----------
        ledger : Ledger
            The one that the batch was run with.
        """  # noqa: D205
        by_hash = {row["sha256"]: row for row in ledger.rows()}
        first: dict[str, str] = {}
        for path, sha256 in self.files:
            if not sha256:
                yield {"file": path, "same_as": "", "ok": False, "problem": "cannot be opened"}
                continue
            earlier = first.setdefault(sha256, path)
            same_as = "" if earlier == path else earlier
            yield {"file": path, "same_as": same_as, **by_hash.get(sha256, {})}


@dataclass
class _State:
    total_n: int
    tell: Callable[[Progress], None] | None
    started: float = field(default_factory=time.monotonic)
    done_n: int = 0
    skipped_n: int = 0
    bad_n: int = 0

    def progress(self) -> Progress:
        elapsed = time.monotonic() - self.started
        worked = self.done_n - self.skipped_n
        left = elapsed / worked * (self.total_n - self.done_n) if worked else float("nan")
        return Progress(self.done_n, self.total_n, self.skipped_n, self.bad_n, elapsed, left)

    def step(self, *, skipped: bool = False, bad: bool = False) -> None:
        self.done_n += 1
        self.skipped_n += skipped
        self.bad_n += bad
        if self.tell is not None:
            self.tell(self.progress())


def run_batch(
    files: Sequence[str | Path],
    work: PhotoWork,
    *,
    ledger: Ledger,
    settings: BatchSettings | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> BatchResult:
    """Do every photo that has no row yet, and write a row as soon as it is done.

    Stopped by Ctrl-C or killed, it goes on with the photos that have no row when called again
    with a ledger of the same settings. Files with the same bytes are done once.

    Parameters
    ----------
    files : sequence of path
        See :func:`fruitcount.tree.find_photos`.
    work : callable
        ``(path) -> dict`` of plain values, importable by name (``functools.partial`` is fine).
        What it raises becomes the row's ``problem``.
    ledger : Ledger
        Where rows go; its settings key decides which photos are done already.
    settings : BatchSettings, optional
    progress : callable, optional
        Called after every file, from this process.

    Returns
    -------
    BatchResult
    """
    how = settings or BatchSettings()
    state = _State(len(files), progress)
    hashes: dict[str, str] = {}
    known = ledger.done()
    todo = _todo([str(f) for f in files], known, hashes, state)
    # closed here, so that workers end at once when this is stopped
    with closing(ENGINES[how.engine](work, todo, how)) as done:
        for path, body in done:
            ledger.add(hashes[path], body)
            state.step(bad=not body["ok"])
    named = tuple((str(f), hashes.get(str(f), "")) for f in files)
    return BatchResult(named, state.progress())


def _todo(
    files: list[str], known: set[str], hashes: dict[str, str], state: _State
) -> Iterator[str]:
    # hashed one by one as the engine takes them, so that work starts with the first file
    for path in files:
        try:
            sha256 = file_hash(path)
        except OSError:
            state.step(bad=True)
            continue
        hashes[path] = sha256
        if sha256 in known:
            state.step(skipped=True)
            continue
        known.add(sha256)
        yield path
