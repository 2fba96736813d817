"""The one place that imports OpenCV, so that a missing system library has one clear answer."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

from fruitcount.errors import ModelUnavailableError

try:
    import cv2
except ImportError as error:  # libGL or glib missing: usual on a bare Debian or in a container
    raise ImportError(
        "OpenCV could not be loaded: "
        f"{error}\nOn Debian or Ubuntu this line mends it:\n"
        "apt-get install -y --no-install-recommends libgl1 libglib2.0-0"
    ) from error

# its words about damaged files mean nothing to a grower; ours name the file
cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)

__all__ = ["PATTERN_NAME", "card_pattern", "cv2", "net_at"]

# Of the scale cards: ArUco's 4 x 4 cells with 50 numbers. The library's own name, printed on the
# sheet, so that any reader of markers can be set.
PATTERN_NAME = "DICT_4X4_50"


def card_pattern() -> Any:
    """OpenCV's dictionary of the scale cards' pattern."""
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, PATTERN_NAME))


def net_at(path: Path) -> Any:
    """A net from its ONNX file, ready to run.

    Raises
    ------
    ModelUnavailableError
        When the file cannot be read as a net.
    """
    return _net(str(path), path.stat().st_mtime)


@lru_cache(maxsize=1)  # one at a time: each holds 0.2 to 0.3 GB once it ran, reading takes 0.04 s
def _net(path: str, stamp: float) -> Any:
    del stamp  # part of the key: a replaced file is read again
    try:
        return cv2.dnn.readNetFromONNX(path)
    except cv2.error as error:
        raise ModelUnavailableError(f"{path}: cannot be read as a net ({error.err})") from error
