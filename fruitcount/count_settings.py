"""How one photo is to be measured, and where its scale is to come from."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from fruitcount.detect.heatmap import HEATMAPS
from fruitcount.errors import in_range, one_of, positive

SCALE_KINDS = ("card", "points", "disc", "bank card", "fruit", "limb length", "none")
Point = tuple[float, float]


@dataclass(frozen=True)
class ScaleRequest:
    """Where the scale is to come from.

    Attributes
    ----------
    kind : str
        One of :data:`SCALE_KINDS`. ``"card"`` looks for a printed card.
    length_mm : float
        Card side (NaN: told by the card's number), length between the points, diameter of the
        disc or the fruit, or length of the limb.
    points_px : tuple of (x, y)
        The two points, the tap on the disc, or the four corners of the bank card.
    """

    kind: str = "card"
    length_mm: float = float("nan")
    points_px: tuple[Point, ...] = ()

    def __post_init__(self) -> None:
        one_of("scale kind", self.kind, SCALE_KINDS)
        if self.kind in ("points", "disc", "fruit", "limb length"):
            positive("scale length_mm", self.length_mm)


@dataclass(frozen=True)
class CountSettings:
    """How one photo is measured.

    Attributes
    ----------
    source : {"auto", "trained", "classical"}
        What makes the heatmap map. ``auto`` takes the trained one where its file is there.
    scale : ScaleRequest
    base_px, tip_px : (x, y) or None
        Ends of the limb, if the user gave them.
    line_px : tuple of (x, y)
        The whole limb line, if the user drew it.
    base_diameter_mm, tip_diameter_mm : float
        Caliper readings; NaN to measure on the photo.
    min_score : float or None
        Lowest score kept; None takes the shipped value. Raising it gives fewer, surer marks.
    """

    source: str = "auto"
    scale: ScaleRequest = field(default_factory=ScaleRequest)
    base_px: Point | None = None
    tip_px: Point | None = None
    line_px: tuple[Point, ...] = ()
    base_diameter_mm: float = float("nan")
    tip_diameter_mm: float = float("nan")
    min_score: float | None = None

    def __post_init__(self) -> None:
        one_of("source", self.source, ("auto", *HEATMAPS))
        if self.min_score is not None:
            in_range("min_score", self.min_score, 0.0, 1.0)
        for name in ("base_diameter_mm", "tip_diameter_mm"):
            if not np.isnan(getattr(self, name)):
                positive(name, getattr(self, name))
