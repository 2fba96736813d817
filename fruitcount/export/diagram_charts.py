"""Two small charts under the limb: stress along it, and how many times its load it would bear."""

from __future__ import annotations

import math

import numpy as np

from fruitcount.export.actions import INK_RGB, WHITE
from fruitcount.export.diagram_page import LEFT, RIGHT, Page
from fruitcount.load import LoadReport, LoadState

# Okabe-Ito vermillion and blue.
BEFORE_RGB = (213, 94, 0)
AFTER_RGB = (0, 114, 178)
GRID_RGB = (205, 200, 190)
RISK_RGB = (246, 222, 206)
HEIGHT = 104.0
_TICKS = (0.25, 0.5, 1, 2, 4, 8)


def stress_chart(page: Page, load: LoadReport) -> None:
    """Bending stress along the limb, before dashed and after solid, with the two limits.

    Parameters
    ----------
    page : Page
        Its ``y`` moves below the chart, which lines up with the limb above.
    load : LoadReport
    """
    page.heading("Stress along the limb at harvest, MPa")
    page.y += 6
    top, floor = page.y, page.y + HEIGHT
    most = max(float(load.before.stress_mpa.max()), load.working_mpa * 1.3)
    most = min(most * 1.08, load.breaking_mpa * 1.6)
    if most > load.breaking_mpa:  # room above the line for its words
        most = max(most, load.breaking_mpa * 1.16)
    _box(page, LEFT, top, RIGHT, floor, WHITE, GRID_RGB)
    x = LEFT + load.along_mm / load.along_mm[-1] * (RIGHT - LEFT)
    for stress, rgb in ((load.before.stress_mpa, BEFORE_RGB), (load.after.stress_mpa, AFTER_RGB)):
        y = floor - np.minimum(stress / most, 1.0) * HEIGHT
        points = list(zip(x.tolist(), y.tolist(), strict=True))
        if rgb == AFTER_RGB:
            page.line(*points, rgb=rgb, width=2.8)
        else:  # dashes of three steps in five, along the sections
            for i in range(0, len(points) - 1, 5):
                page.line(*points[i : i + 4], rgb=rgb, width=2.4)
        page.ring(points[int(np.argmax(stress))], 4, rgb)
    for word, value in (("breaks about", load.breaking_mpa), ("working limit", load.working_mpa)):
        if value < most:
            level, text = floor - value / most * HEIGHT, f"{word} {value:.0f}"
            page.line((LEFT, level), (RIGHT, level), width=0.9)
            # white ground under words that a curve may cross
            _box(page, RIGHT - 3 - 5.3 * len(text), level - 12, RIGHT - 3, level - 1, WHITE)
            page.words((RIGHT - 3, level - 3), text, 11, "end")
    page.words((LEFT - 4, floor), "0", 11, "end")
    page.words((LEFT - 4, top + 9), f"{most:.0f}", 11, "end")
    page.y = floor + 15
    page.dashed((LEFT, page.y - 4), (LEFT + 26, page.y - 4), BEFORE_RGB, 2.4)
    page.line((LEFT + 90, page.y - 4), (LEFT + 116, page.y - 4), rgb=AFTER_RGB, width=2.8)
    page.ring((LEFT + 180, page.y - 4), 4, WHITE)
    for right, word in ((31, "before"), (121, "after"), (189, "worst place")):
        page.words((LEFT + right, page.y), word)


def _box(
    page: Page, left: float, top: float, right: float, floor: float, *inks: tuple[int, int, int]
) -> None:
    corners = ((left, top), (right, top), (right, floor), (left, floor))
    page.polygon(*corners, fill=inks[0], edge=inks[1] if len(inks) > 1 else None)


def factor_bars(page: Page, load: LoadReport) -> None:
    """Load factor before and after as bands that hold nine in ten, on a doubling scale.

    Parameters
    ----------
    page : Page
        Its ``y`` moves below the chart.
    load : LoadReport
    """
    page.heading("How many times this load until it breaks")
    fine = load.breaking_mpa / load.working_mpa
    page.y += 10
    page.words((_place(1) - 3, page.y), "breaks below 1", 11, "end")
    page.words((_place(fine), page.y), f"fine from {fine:g}", 11)
    _bar(page, "before", load.before, BEFORE_RGB, fine)
    _bar(page, "after", load.after, AFTER_RGB, fine)
    page.y += 14
    for factor in _TICKS:
        page.words((_place(factor), page.y), f"{factor:g}", 11, "middle")


def _place(factor: float) -> float:
    """Factor to drawing place, each doubling the same step; beyond the ends stays at the end."""
    low, high = math.log2(_TICKS[0]), math.log2(_TICKS[-1])
    inside = min(max(factor, _TICKS[0]), _TICKS[-1])
    return LEFT + (math.log2(inside) - low) / (high - low) * (RIGHT - LEFT)


def _bar(page: Page, word: str, state: LoadState, rgb: tuple[int, int, int], fine: float) -> None:
    """One band in its own strip, the verdict written under it."""
    band = state.load_factor
    top, floor = page.y + 5, page.y + 23
    y = (top + floor) / 2
    _box(page, LEFT, top, _place(1), floor, RISK_RGB)
    for factor in _TICKS:
        x, ink = _place(factor), INK_RGB if factor == 1 else GRID_RGB
        page.line((x, top), (x, floor), rgb=ink, width=1.2 if factor == 1 else 0.9)
    page.dashed((_place(fine), top), (_place(fine), floor), INK_RGB, 1.4, dash=2.5)
    low, middle, high = (_place(v) for v in (band.low, band.middle, band.high))
    page.line((low, y), (high, y), width=8.0)
    page.line((low, y), (high, y), rgb=rgb, width=5.6)
    page.ring((middle, y), 4.6, WHITE, 1.4)
    said = f"{word}: {band.middle:.1f} ({band.low:.1f} to {band.high:.1f}), {state.verdict}"
    page.y = floor + 15
    page.words((LEFT, page.y), said if math.isfinite(band.middle) else f"{word}: no load")
