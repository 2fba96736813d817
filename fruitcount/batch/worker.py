"""What runs in each worker process: one photo, one row, whatever happens."""

from __future__ import annotations

import math
import os
import signal
import threading
from collections.abc import Callable
from multiprocessing import parent_process
from multiprocessing.connection import wait
from typing import Any

from fruitcount.errors import FruitcountError

__all__ = ["Work", "do_one", "start_worker"]

Work = Callable[[str], dict[str, Any]]


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
            wait([sentinel])
            os._exit(1)

        threading.Thread(target=end_with_parent, daemon=True).start()


def do_one(work: Work, path: str) -> dict[str, Any]:
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
    return {"ok": True, "problem": "", **_plain(body)}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if hasattr(value, "tolist"):  # numpy numbers and arrays
        return _plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
