"""Low-score marks of many photos, found by worker processes; and how many of those to use."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from screen_wide import find_wide, has_wide

from fruitcount.tree.engines import BatchSettings
from fruitcount.tree.run import Progress, run_batch

__all__ = ["batch_settings", "find_many", "workers_for"]

# Starting worker processes takes a few seconds: for a few photos it is not worth it. Our choice.
_FEW = 3
_MANY = 8


def workers_for(photos_n: int) -> int:
    """Processes for that many photos: for many, all cores; for few, one is left to the screen.

    At most 4 (our choice): each holds the net and a decoded photo, about 0.7 GB.
    """
    cores = os.cpu_count() or 2
    return max(1, min(4, cores if photos_n >= _MANY else cores - 1))


def batch_settings(photos_n: int, workers: int | None = None) -> BatchSettings:
    """Where that many photos are worked on: here when they are few, else in processes."""
    engine = "serial" if photos_n <= _FEW else "processes"
    return BatchSettings(engine=engine, workers=workers or workers_for(photos_n))


class _Nothing:
    """A batch's ledger that keeps nothing: each photo's marks lie beside it."""

    def done(self) -> set[str]:
        return set()

    def add(self, sha256: str, body: dict[str, Any]) -> bool:
        return bool(sha256 and body)

    def rows(self) -> list[dict[str, Any]]:
        return []


def find_many(paths: Sequence[Path], tell: Callable[[int, int], None]) -> None:
    """Find the low-score marks of photos that have none kept beside them yet.

    Parameters
    ----------
    paths : sequence of Path
    tell : callable
        Told (done, all) after each photo.
    """
    left: list[str | Path] = [path for path in paths if not has_wide(path)]

    def progress(now: Progress) -> None:
        tell(now.done_n, now.total_n)

    if left:
        how = batch_settings(len(left))
        run_batch(left, find_wide, ledger=_Nothing(), settings=how, progress=progress)
