"""Where fruit may be, per pixel: sources of fruit probability maps for one blob stage.

``HEATMAPS`` names them; each is ``(photo_rgb, scale) -> Maps``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from fruitcount.detect.heatmap_classical import classical_maps
from fruitcount.detect.heatmap_cnn import model_path, trained_maps
from fruitcount.errors import in_range, positive
from fruitcount.types import LARGEST_FRUIT_MM, SMALLEST_FRUIT_MM, Maps, Pixels, Scale

# Lowest score kept, for each source of heatmap. The trained one on 188 held-back photographs of
# four crops: of 0.2 to 0.5 the best mean F1 (0.885; 0.882 at 0.35) and the least bias of counts.
SHIPPED_THRESHOLD: dict[str, float] = {"trained": 0.3, "classical": 0.3}


@dataclass(frozen=True)
class DetectSettings:
    """How marks are picked from the maps.

    Attributes
    ----------
    threshold : float or None
        Lowest score kept, 0-1; None takes the shipped value of the maps' source. Raising it
        gives fewer and surer marks.
    smallest_mm, largest_mm : float
        Fruit outside these diameters is not reported where the scale is known.
    """

    threshold: float | None = None
    smallest_mm: float = SMALLEST_FRUIT_MM
    largest_mm: float = LARGEST_FRUIT_MM

    def __post_init__(self) -> None:
        if self.threshold is not None:
            in_range("threshold", self.threshold, 0.0, 1.0)
        positive("smallest_mm", self.smallest_mm)
        positive("largest_mm", self.largest_mm)

    def threshold_for(self, source: str) -> float:
        """The threshold in force for maps of this source."""
        return SHIPPED_THRESHOLD.get(source, 0.4) if self.threshold is None else self.threshold


HEATMAPS: dict[str, Callable[[Pixels, Scale], Maps]] = {
    "trained": trained_maps,
    "classical": classical_maps,
}


def default_source() -> str:
    """``"trained"`` where its model file is there, else ``"classical"``."""
    return "trained" if model_path().is_file() else "classical"
