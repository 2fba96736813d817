"""Where fruit may be, per pixel: sources that feed the same blob stage.

``FRUITNESS`` names them; each is ``(photo_rgb, scale) -> Maps``.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from fruitcount.fruitness.classical import classical_maps
from fruitcount.fruitness.trained import model_path, trained_maps
from fruitcount.types import Maps, Scale

__all__ = ["FRUITNESS", "classical_maps", "default_source", "trained_maps"]

FRUITNESS: dict[str, Callable[[NDArray[np.uint8], Scale], Maps]] = {
    "trained": trained_maps,
    "classical": classical_maps,
}


def default_source() -> str:
    """``"trained"`` where its model file is there, else ``"classical"``."""
    return "trained" if model_path().is_file() else "classical"
