"""Where fruit may be, per pixel: sources of fruit probability maps for one blob stage.

``HEATMAPS`` names them; each is ``(photo_rgb, scale) -> Maps``.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from fruitcount.detect.heatmap_classical import classical_maps
from fruitcount.detect.heatmap_cnn import model_path, trained_maps
from fruitcount.types import Maps, Scale

__all__ = ["HEATMAPS", "classical_maps", "default_source", "trained_maps"]

HEATMAPS: dict[str, Callable[[NDArray[np.uint8], Scale], Maps]] = {
    "trained": trained_maps,
    "classical": classical_maps,
}


def default_source() -> str:
    """``"trained"`` where its model file is there, else ``"classical"``."""
    return "trained" if model_path().is_file() else "classical"
