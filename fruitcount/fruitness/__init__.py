"""Where fruit may be, per pixel: two sources that feed the same blob stage.

``FRUITNESS`` names them; each is ``(photo_rgb, scale) -> Maps``.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from fruitcount.fruitness.classical import classical_maps
from fruitcount.types import Maps, Scale

__all__ = ["FRUITNESS", "classical_maps"]

FRUITNESS: dict[str, Callable[[NDArray[np.uint8], Scale], Maps]] = {
    "classical": classical_maps,
}
