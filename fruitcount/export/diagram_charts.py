"""Two small charts under the limb: stress along it, and how many times its load it would bear."""

from __future__ import annotations

import math

import numpy as np

from fruitcount.export.actions import INK_RGB, WHITE
from fruitcount.export.diagram_page import Page
from fruitcount.export.shapes import Line, Polygon, Ring, Shape, Words, dashed
from fruitcount.load import LoadReport, LoadState
from fruitcount.types import FloatArray

__all__ = ["factor_bars", "stress_chart"]

# Okabe-Ito vermillion and blue.
BEFORE_RGB = (213, 94, 0)
AFTER_RGB = (0, 114, 178)
GRID_RGB = (205, 200, 190)
RISK_RGB = (246, 222, 206)
HEIGHT = 104.0
_TICKS = (0.25, 0.5, 1, 2, 4, 8)


def stress_chart(page: Page, load: LoadReport, left: float, right: float) -> None:
    """Bending stress along the limb, before dashed and after solid, with the two limits.

    Parameters
    ----------
    page : page
        Its ``y`` moves below the chart.
    load : LoadReport
    left, right : float
        The limb's base and tip, so that the chart lines up with the drawing above.
    """
    page.heading("Stress along the limb at harvest, MPa")
    page.y += 6
    top, floor = page.y, page.y + HEIGHT
    most = max(float(load.before.stress_mpa.max()), load.working_mpa * 1.3)
    most = min(most * 1.08, load.breaking_mpa * 1.6)
    if most > load.breaking_mpa:  # room above the line for its words
        most = max(most, load.breaking_mpa * 1.16)
    page.add(Polygon(((left, top), (right, top), (right, floor), (left, floor)), WHITE, GRID_RGB))
    limits = (("breaks about", load.breaking_mpa), ("working limit", load.working_mpa))
    x = left + load.along_mm / load.along_mm[-1] * (right - left)
    for stress, rgb, solid in (
        (load.before.stress_mpa, BEFORE_RGB, False),
        (load.after.stress_mpa, AFTER_RGB, True),
    ):
        y = floor - np.minimum(stress / most, 1.0) * HEIGHT
        page.add(*_curve(x, y, rgb, solid=solid))
        worst = int(np.argmax(stress))
        page.add(Ring(float(x[worst]), float(y[worst]), 4, rgb, INK_RGB, 1.0))
    for word, value in limits:
        if value < most:
            level = floor - value / most * HEIGHT
            page.add(Line(((left, level), (right, level)), INK_RGB, 0.9))
            text = f"{word} {value:.0f}"
            page.add(
                _plate(right - 3, level - 3, text),
                Words(right - 3, level - 3, text, INK_RGB, 11, "end"),
            )
    page.add(Words(left - 4, floor, "0", INK_RGB, 11, "end"))
    page.add(Words(left - 4, top + 9, f"{most:.0f}", INK_RGB, 11, "end"))
    page.y = floor + 15
    page.add(*dashed((left, page.y - 4), (left + 26, page.y - 4), BEFORE_RGB, width=2.4))
    page.add(Words(left + 31, page.y, "before", INK_RGB, 12))
    page.add(Line(((left + 90, page.y - 4), (left + 116, page.y - 4)), AFTER_RGB, 2.8))
    page.add(Words(left + 121, page.y, "after", INK_RGB, 12))
    page.add(Ring(left + 180, page.y - 4, 4, WHITE, INK_RGB, 1.0))
    page.add(Words(left + 189, page.y, "worst place", INK_RGB, 12))


def _plate(right: float, y: float, text: str) -> Polygon:
    """White ground under words that a curve may cross."""
    left = right - 5.3 * len(text)
    return Polygon(((left, y - 9), (right, y - 9), (right, y + 2), (left, y + 2)), WHITE)


def _curve(x: FloatArray, y: FloatArray, rgb: tuple[int, int, int], *, solid: bool) -> list[Shape]:
    points = tuple((float(a), float(b)) for a, b in zip(x, y, strict=True))
    if solid:
        return [Line(points, rgb, 2.8)]
    # Dashes of three steps in five, along the sections.
    return [Line(points[i : i + 4], rgb, 2.4) for i in range(0, len(points) - 1, 5)]


def factor_bars(page: Page, load: LoadReport, left: float, right: float) -> None:
    """Load factor before and after as bands that hold nine in ten, on a doubling scale.

    Parameters
    ----------
    page : page
        Its ``y`` moves below the chart.
    load : LoadReport
    left, right : float
        Ends of the scale, a quarter and eight times.
    """
    page.heading("How many times this load until it breaks")
    place = _Scale(left, right)
    fine = load.breaking_mpa / load.working_mpa
    page.y += 10
    page.add(Words(place(1) - 3, page.y, "breaks below 1", INK_RGB, 11, "end"))
    page.add(Words(place(fine), page.y, f"fine from {fine:g}", INK_RGB, 11))
    for word, state, rgb in (
        ("before", load.before, BEFORE_RGB),
        ("after", load.after, AFTER_RGB),
    ):
        _bar(page, place, word, state, rgb, fine)
    page.y += 14
    for factor in _TICKS:
        page.add(Words(place(factor), page.y, f"{factor:g}", INK_RGB, 11, "middle"))


class _Scale:
    """Factor to drawing place, each doubling the same step; beyond the ends stays at the end."""

    def __init__(self, left: float, right: float) -> None:
        self.left, self.right = left, right

    def __call__(self, factor: float) -> float:
        low, high = math.log2(_TICKS[0]), math.log2(_TICKS[-1])
        inside = min(max(factor, _TICKS[0]), _TICKS[-1])
        return self.left + (math.log2(inside) - low) / (high - low) * (self.right - self.left)


def _bar(
    page: Page, place: _Scale, word: str, state: LoadState, rgb: tuple[int, int, int], fine: float
) -> None:
    """One band in its own strip, the verdict written above it."""
    band = state.load_factor
    top, floor = page.y + 5, page.y + 23
    y = (top + floor) / 2
    left, one = place.left, place(1)
    page.add(Polygon(((left, top), (one, top), (one, floor), (left, floor)), RISK_RGB))
    for factor in _TICKS:
        x = place(factor)
        ink = INK_RGB if factor == 1 else GRID_RGB
        page.add(Line(((x, top), (x, floor)), ink, 1.2 if factor == 1 else 0.9))
    page.add(*dashed((place(fine), top), (place(fine), floor), INK_RGB, width=1.4, dash=2.5))
    low, middle, high = (place(v) for v in (band.low, band.middle, band.high))
    page.add(Line(((low, y), (high, y)), INK_RGB, 8.0), Line(((low, y), (high, y)), rgb, 5.6))
    page.add(Ring(middle, y, 4.6, WHITE, INK_RGB, 1.4))
    said = f"{word}: {band.middle:.1f} ({band.low:.1f} to {band.high:.1f}), {state.verdict}"
    if not math.isfinite(band.middle):
        said = f"{word}: no load"
    page.y = floor + 15
    page.add(Words(left, page.y, said, INK_RGB, 12))
