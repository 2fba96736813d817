"""What runs in each worker process: one photo, one row, whatever happens."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from itertools import chain, islice
from multiprocessing import parent_process
from multiprocessing.connection import wait as wait_for
from typing import Any

from fruitcount.errors import BadInputError, FruitcountError, at_least, one_of
from fruitcount.measurement_record import plain

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
            yield path, _alone(work, path)


def _one_pool(
    work: PhotoWork, paths: Iterator[str], workers: int
) -> Generator[tuple[str, Row], None, list[str]]:  # returns the paths in flight when it broke
    pool = _pool(workers)
    flying: dict[Future[Row], str] = {}
    suspects: list[str] = []
    ended = False
    try:
        while True:
            while not suspects and len(flying) < 2 * workers:
                path = next(paths, None)
                if path is None:
                    break
                try:
                    flying[pool.submit(do_one, work, path)] = path
                except BrokenProcessPool:
                    suspects.append(path)
            if not flying:
                ended = True
                return suspects
            ready, _ = wait(flying, return_when=FIRST_COMPLETED)
            for future in ready:
                path = flying.pop(future)
                try:
                    yield path, future.result()
                except BrokenProcessPool:
                    suspects.append(path)
    finally:
        if not ended:  # stopped by Ctrl-C: only this process writes rows, so nothing is lost
            _end_workers(pool)
        pool.shutdown(wait=not suspects, cancel_futures=True)


def _end_workers(pool: ProcessPoolExecutor) -> None:
    """End a pool's workers in the middle of their photos; later Pythons have a call for it."""
    for worker in list((getattr(pool, "_processes", None) or {}).values()):
        worker.terminate()


def _alone(work: PhotoWork, path: str) -> Row:
    with _pool(1) as pool:
        try:
            return pool.submit(do_one, work, path).result()
        except BrokenProcessPool:
            return {"ok": False, "problem": _DIED}


def run_dask(
    work: PhotoWork, paths: Iterable[str], settings: BatchSettings
) -> Generator[tuple[str, Row], None, None]:
    """On a Dask cluster that runs already, or on one started here."""
    try:
        from distributed import Client, LocalCluster, as_completed
    except ImportError as error:
        raise BadInputError(
            'engine "dask" needs the extra: pip install "fruitcount[cluster]"'
        ) from error
    cluster = None
    if not settings.scheduler:
        cluster = LocalCluster(
            n_workers=settings.workers, threads_per_worker=1, dashboard_address=None
        )
    try:
        client = Client(cluster if cluster is not None else settings.scheduler, timeout=5)
    except (OSError, ValueError) as error:
        raise BadInputError(f"no scheduler answers at {settings.scheduler}: {error}") from error
    try:
        if cluster is None:
            _need_workers(client, settings.scheduler)
        yield from _on_cluster(client, (work, iter(paths)), as_completed)
    finally:
        client.close()
        if cluster is not None:
            cluster.close()


def _need_workers(client: Any, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=5)
    except TimeoutError as error:
        raise BadInputError(
            f"the scheduler at {address} has no workers: start some (dask worker {address})"
        ) from error


def _on_cluster(
    client: Any, job: tuple[PhotoWork, Iterator[str]], as_completed: Any
) -> Generator[tuple[str, Row], None, None]:
    work, stream = job
    room = 2 * max(len(client.nthreads()), 1)
    names: dict[str, str] = {}

    def submit(path: str) -> Any:
        # pure=False: the same path may hold another photo next time
        future = client.submit(do_one, work, path, pure=False, retries=1)
        names[future.key] = path
        return future

    queue = as_completed([submit(p) for p in islice(stream, room)])
    for future in queue:
        path = names.pop(future.key)
        row = {"ok": False, "problem": _DIED} if future.status != "finished" else future.result()
        future.release()
        following = next(stream, None)
        if following is not None:
            queue.add(submit(following))
        yield path, row


ENGINES: dict[str, Engine] = {
    "serial": run_serial,
    "processes": run_processes,
    "dask": run_dask,
}
