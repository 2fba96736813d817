"""Small pieces of work that worker processes can import by name."""

import os
import time
from pathlib import Path

import numpy as np

from fruitcount.errors import PhotoUnreadableError


def measure(path):
    """Length and first byte; a file that says so misbehaves."""
    data = Path(path).read_bytes()
    if data == b"broken":
        raise PhotoUnreadableError(path, "is cut short")
    if data == b"bug":
        raise ZeroDivisionError("oops")
    if data == b"killer":
        os._exit(9)
    return {"count_n": np.int64(len(data)), "size": float("nan"), "first": data[:1].hex()}


def slow_measure(path):
    """As above but long enough to be killed in."""
    time.sleep(0.004)
    return measure(path)


def long_after_the_first(path):
    """At once for a file "0", half a minute for any other."""
    if Path(path).read_bytes() != b"0":
        time.sleep(30)
    return {"count_n": 1}
