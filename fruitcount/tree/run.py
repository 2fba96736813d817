"""A folder of photos to one row each, here, in worker processes or on a cluster; goes on."""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, closing
from dataclasses import dataclass
from functools import partial
from itertools import chain, islice
from multiprocessing import parent_process
from multiprocessing.connection import wait as wait_for
from pathlib import Path
from typing import Any

from fruitcount.errors import BadInputError, FruitcountError, at_least, one_of
from fruitcount.measurement_record import plain
from fruitcount.tree.checkpoint import ProgressLog
from fruitcount.tree.photos import file_hash

PhotoWork = Callable[[str], dict[str, Any]]


def start_worker() -> None:
    """Set a new worker process up.

    One OpenCV thread each, or the workers fight for the cores. Ctrl-C is the parent's affair. A
    worker whose parent was killed ends itself: it would wait for work for ever otherwise.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    import cv2

    cv2.setNumThreads(1)
    parent = parent_process()
    if parent is not None:
        sentinel = parent.sentinel

        def end_with_parent() -> None:
            wait_for([sentinel])
            os._exit(1)

        threading.Thread(target=end_with_parent, daemon=True).start()


def do_one(work: PhotoWork, path: str) -> dict[str, Any]:
    """Run ``work`` on one photo; an error becomes a row that says what is wrong.

    Parameters
    ----------
    work : callable
        Takes the file's path, returns plain JSON values. Must be importable by name (no lambda).
    path : str

    Returns
    -------
    dict
        ``ok`` and ``problem``, then what ``work`` returned.
    """
    try:
        body = work(path)
    except FruitcountError as error:
        return {"ok": False, "problem": str(error)}
    except MemoryError:
        return {"ok": False, "problem": "not enough memory for this photo"}
    except Exception as error:  # a batch of thousands must not end at one photo
        return {"ok": False, "problem": f"{type(error).__name__}: {error}"}
    return {"ok": True, "problem": "", **plain(body)}


Row = dict[str, Any]


@dataclass(frozen=True)
class BatchSettings:
    """How a batch is run; none of it changes the results.

    Attributes
    ----------
    engine : {"processes", "serial", "dask"}
    workers : int
        Worker processes for ``"processes"``. More use more memory; more than cores do not help.
    scheduler : str
        Address of a running Dask scheduler for ``"dask"``, such as ``tcp://192.0.2.1:8786``;
        empty starts one here with ``workers`` processes. The workers must see the photos under
        the same paths.
    recycle_after : int
        New worker processes after that many photos, in case a decoder leaks.
    """

    engine: str = "processes"
    workers: int = 2
    scheduler: str = ""
    recycle_after: int = 1000

    def __post_init__(self) -> None:
        one_of("engine", self.engine, ("processes", "serial", "dask"))
        at_least("workers", self.workers, 1)
        at_least("recycle_after", self.recycle_after, 1)


Engine = Callable[[PhotoWork, Iterable[str], BatchSettings], Generator[tuple[str, Row], None, None]]
_DIED = "the program that read this photo died; the file may be damaged or far too large"


def run_serial(
    work: PhotoWork, paths: Iterable[str], _: BatchSettings
) -> Generator[tuple[str, Row], None, None]:
    """One after the other in this process."""
    for path in paths:
        yield path, do_one(work, path)


def _pool(workers: int) -> ProcessPoolExecutor:
    # spawn is the same on every system, and a worker shares nothing with a broken parent
    return ProcessPoolExecutor(
        workers, mp_context=multiprocessing.get_context("spawn"), initializer=start_worker
    )


def run_processes(
    work: PhotoWork, paths: Iterable[str], settings: BatchSettings
) -> Generator[tuple[str, Row], None, None]:
    """In worker processes; a photo that kills its worker becomes a row too."""
    stream = iter(paths)
    # the pool's own max_tasks_per_child can hang in Python 3.11, so pools are replaced instead
    while (first := next(stream, None)) is not None:
        block = chain([first], islice(stream, settings.recycle_after - 1))
        suspects = yield from _one_pool(work, block, settings.workers)
        for path in suspects:
            with _pool(1) as alone:
                yield path, _row(alone.submit(do_one, work, path))


def _flow(
    submit: Callable[[str], Future[Row]], paths: Iterator[str], room: int
) -> Generator[tuple[str, Future[Row]], None, None]:
    """Each path with its future as they end, at most ``room`` at a time."""
    flying: dict[Future[Row], str] = {}
    while True:
        flying |= {submit(path): path for path in islice(paths, room - len(flying))}
        if not flying:
            return
        for future in wait(flying, return_when=FIRST_COMPLETED).done:
            yield flying.pop(future), future


def _one_pool(
    work: PhotoWork, paths: Iterator[str], workers: int
) -> Generator[tuple[str, Row], None, list[str]]:  # returns the paths in flight when it broke
    pool, suspects = _pool(workers), list[str]()

    def submit(path: str) -> Future[Row]:
        try:
            return pool.submit(do_one, work, path)
        except BrokenProcessPool as error:
            failed = Future[Row]()
            failed.set_exception(error)
            return failed

    whole = iter(lambda: None if suspects else next(paths, None), None)
    try:
        for path, future in _flow(submit, whole, 2 * workers):
            try:
                yield path, future.result()
            except BrokenProcessPool:
                suspects.append(path)
    except BaseException:  # stopped by Ctrl-C: only this process writes rows, so nothing is lost
        # in the middle of their photos; later Pythons have a call for it
        for worker in list((getattr(pool, "_processes", None) or {}).values()):
            worker.terminate()
        raise
    finally:
        pool.shutdown(wait=not suspects, cancel_futures=True)
    return suspects


def _row(future: Future[Row]) -> Row:
    try:
        return future.result()
    except Exception:  # do_one raises none: the worker died
        return {"ok": False, "problem": _DIED}


def run_dask(
    work: PhotoWork, paths: Iterable[str], settings: BatchSettings
) -> Generator[tuple[str, Row], None, None]:
    """On a Dask cluster that runs already, or on one started here."""
    try:
        from distributed import Client, LocalCluster
    except ImportError as error:
        raise BadInputError(
            'engine "dask" needs the extra: pip install "fruitcount[cluster]"'
        ) from error
    with ExitStack() as open_:
        cluster = settings.scheduler or open_.enter_context(
            LocalCluster(n_workers=settings.workers, threads_per_worker=1, dashboard_address=None)
        )
        try:
            client = open_.enter_context(Client(cluster, timeout=5))
        except (OSError, ValueError) as error:
            raise BadInputError(f"no scheduler answers at {cluster}: {error}") from error
        if settings.scheduler:
            _need_workers(client, settings.scheduler)
        # pure=False: the same path may hold another photo next time
        executor = client.get_executor(pure=False, retries=1)
        room = 2 * max(len(client.nthreads()), 1)
        for path, future in _flow(partial(executor.submit, do_one, work), iter(paths), room):
            yield path, _row(future)


def _need_workers(client: Any, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=5)
    except TimeoutError as error:
        raise BadInputError(
            f"the scheduler at {address} has no workers: start some (dask worker {address})"
        ) from error


ENGINES: dict[str, Engine] = {"serial": run_serial, "processes": run_processes, "dask": run_dask}


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
    left_s : float
        Expected time left; NaN until a photo has been done.
    """

    done_n: int
    total_n: int
    skipped_n: int
    bad_n: int
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

    def rows(self, progress_log: ProgressLog) -> Iterator[dict[str, Any]]:
        """One row a file, in order: ``file``, ``same_as`` (an earlier file with the same bytes,
        or empty), then what the progress log holds.

        Parameters
        ----------
        progress_log : ProgressLog
            The one that the batch was run with.
        """  # noqa: D205
        by_hash = {row["sha256"]: row for row in progress_log.rows()}
        first: dict[str, str] = {}
        for path, sha256 in self.files:
            if not sha256:
                yield {"file": path, "same_as": "", "ok": False, "problem": "cannot be opened"}
                continue
            earlier = first.setdefault(sha256, path)
            same_as = "" if earlier == path else earlier
            yield {"file": path, "same_as": same_as, **by_hash.get(sha256, {})}


def run_batch(
    files: Sequence[str | Path],
    work: PhotoWork,
    *,
    progress_log: ProgressLog | None = None,
    take: Callable[[str, Row], object] | None = None,
    settings: BatchSettings | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> BatchResult:
    """Do every photo that has no row yet, and write a row as soon as it is done.

    Stopped by Ctrl-C or killed, it goes on with the photos that have no row when called again
    with a progress log of the same settings. Files with the same bytes are done once.

    Parameters
    ----------
    files : sequence of path
        See :func:`fruitcount.tree.photos.find_photos`.
    work : callable
        ``(path) -> dict`` of plain values, importable by name (``functools.partial`` is fine).
        What it raises becomes the row's ``problem``.
    progress_log : ProgressLog, optional
        Where rows go; its settings key decides which photos are done already.
    take : callable, optional
        Takes each photo's hash and row where there is no log.
    settings : BatchSettings, optional
    progress : callable, optional
        Called after every file, from this process.

    Returns
    -------
    BatchResult
    """
    how, started = settings or BatchSettings(), time.monotonic()
    now = Progress(0, len(files), 0, 0, math.nan)
    hashes: dict[str, str] = {}

    def step(*, skipped: bool = False, bad: bool = False) -> None:
        nonlocal now
        done_n, skipped_n = now.done_n + 1, now.skipped_n + skipped
        worked, left_n = done_n - skipped_n, len(files) - done_n
        left_s = (time.monotonic() - started) / worked * left_n if worked else math.nan
        now = Progress(done_n, len(files), skipped_n, now.bad_n + bad, left_s)
        if progress is not None:
            progress(now)

    known, add = (progress_log.done(), progress_log.add) if progress_log else (set(), take)
    todo = _todo([str(f) for f in files], known, hashes, step)
    # closed here, so that workers end at once when this is stopped
    with closing(ENGINES[how.engine](work, todo, how)) as done:
        for path, body in done:
            if add is not None:
                add(hashes[path], body)
            step(bad=not body["ok"])
    return BatchResult(tuple((str(f), hashes.get(str(f), "")) for f in files), now)


def _todo(
    files: list[str], known: set[str], hashes: dict[str, str], step: Callable[..., None]
) -> Iterator[str]:
    # hashed one by one as the engine takes them, so that work starts with the first file
    for path in files:
        try:
            hashes[path] = file_hash(path)
        except OSError:
            step(bad=True)
            continue
        if hashes[path] in known:
            step(skipped=True)
            continue
        known.add(hashes[path])
        yield path
