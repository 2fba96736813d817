"""The page of a diagram: blocks from the top down, drawn once in vectors; two small charts.

Units are points with y down from the top left, as wide as a phone screen (390), so that text of
12 units is readable both there and in print. Shapes are ReportLab's: PDF for print, SVG for a
screen.
"""

from __future__ import annotations

import math
import textwrap
from pathlib import Path

import numpy as np
from reportlab.graphics import renderPDF
from reportlab.graphics.shapes import Circle, Drawing, Group, Polygon, PolyLine, Rect, String
from reportlab.lib.colors import Color
from reportlab.pdfgen.canvas import Canvas

from fruitcount.export.letters import svg_of, usual_fonts
from fruitcount.export.words import INK_RGB, PAPER_RGB, WHITE
from fruitcount.load.report import LoadReport
from fruitcount.load.state import LoadState

RGB = tuple[int, int, int]
Spot = tuple[float, float]

WIDTH = 390.0
LEFT, RIGHT = 30.0, 372.0
# The font is wider than most: this small, its lower-case letters are as high as theirs.
_LETTERS = 0.87


class Page:
    """Shapes from the top down, later ones on top; ``y`` is where the next block begins."""

    def __init__(self) -> None:
        self.y = 10.0
        self.shapes: list[PolyLine | Polygon | Circle | String] = []

    def line(self, *points: Spot, rgb: RGB = INK_RGB, width: float = 1.0) -> None:
        """A line through points."""
        self.shapes.append(
            PolyLine(_flat(points), strokeColor=_ink(rgb), strokeWidth=width, strokeLineJoin=1)
        )

    def dashed(self, start: Spot, end: Spot, rgb: RGB, width: float, dash: float = 4.0) -> None:
        """A dashed straight line, as short lines: the same in print and on a screen."""
        dx, dy = end[0] - start[0], end[1] - start[1]
        pieces = max(int((dx * dx + dy * dy) ** 0.5 // (2 * dash)), 1)
        for i in range(pieces):
            a, b = i / pieces, (i + 0.55) / pieces
            ends = ((start[0] + t * dx, start[1] + t * dy) for t in (a, b))
            self.line(*ends, rgb=rgb, width=width)

    def polygon(self, *points: Spot, fill: RGB, edge: RGB | None = None, width: float = 1) -> None:
        """A filled outline, with its edge where that has a colour."""
        ink = {"fillColor": _ink(fill), "strokeColor": _ink(edge), "strokeWidth": width}
        self.shapes.append(Polygon(_flat(points), **ink))

    def ring(self, at: Spot, r: float, fill: RGB, width: float = 1.0, edge: RGB = INK_RGB) -> None:
        """A filled circle with an edge."""
        ink = {"fillColor": _ink(fill), "strokeColor": _ink(edge), "strokeWidth": width}
        self.shapes.append(Circle(at[0], -at[1], r, **ink))

    def words(self, at: Spot, text: str, size: float = 12.0, anchor: str = "start") -> None:
        """One line of text at its baseline; ``anchor`` is start, middle or end."""
        how = {"fontSize": _LETTERS * size, "fontName": usual_fonts()[0], "textAnchor": anchor}
        self.shapes.append(String(at[0], -at[1], text, fillColor=_ink(INK_RGB), **how))

    def title(self, text: str) -> None:
        """Largest words, wrapped."""
        self._wrapped(text, 42, 17, 18)
        self.y += 6

    def heading(self, text: str) -> None:
        """Begin a block."""
        self.y += 27
        self.words((14, self.y), text, 13.5)
        self.y += 6

    def text(self, text: str, *, small: bool = False) -> None:
        """A sentence, wrapped."""
        self._wrapped(text, *((74, 11.0, 15.0) if small else (64, 12.5, 16.5)))

    def _wrapped(self, text: str, letters: int, size: float, step: float) -> None:
        for line in textwrap.wrap(text, letters):
            self.y += step
            self.words((14, self.y), line, size)

    @property
    def height(self) -> float:
        """Of all blocks, with room below."""
        return self.y + 14

    def drawing(self, fit_pt: tuple[float, float]) -> Drawing:
        """In vectors, to be put into a report.

        Parameters
        ----------
        fit_pt : tuple of float
            Widest and tallest it may be on the page, in points; its shape is kept.
        """
        times = min(fit_pt[0] / WIDTH, fit_pt[1] / self.height)
        paper = Rect(
            0, -self.height, WIDTH, self.height, fillColor=_ink(PAPER_RGB), strokeColor=None
        )
        turn = (times, 0, 0, times, 0, self.height * times)
        page = Drawing(WIDTH * times, self.height * times)
        page.add(Group(paper, *self.shapes, transform=turn))
        return page

    def svg(self) -> str:
        """In vectors, for a page on a screen."""
        return svg_of(self.drawing((WIDTH, self.height)))

    def write_pdf(self, path: Path) -> None:
        """As a PDF of one page, as large as the drawing."""
        size = (WIDTH, self.height)
        canvas = Canvas("", pagesize=size, invariant=1)
        renderPDF.draw(self.drawing(size), canvas, 0, 0)
        path.write_bytes(canvas.getpdfdata())


def _flat(points: tuple[Spot, ...]) -> list[float]:
    return [v for x, y in points for v in (x, -y)]


def _ink(rgb: RGB | None) -> Color | None:
    return None if rgb is None else Color(*(v / 255 for v in rgb))


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
    page.heading("How hard the limb bends at harvest, along its length")
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
    for text, value in (("breaks about here", load.breaking_mpa), ("limit", load.working_mpa)):
        if value < most:
            level = floor - value / most * HEIGHT
            page.line((LEFT, level), (RIGHT, level), width=0.9)
            # white ground under words that a curve may cross
            _box(page, RIGHT - 3 - 5.3 * len(text), level - 12, RIGHT - 3, level - 1, WHITE)
            page.words((RIGHT - 3, level - 3), text, 11, "end")
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
    times = [
        f"{v:.1f}" if v < _TICKS[-1] else f"over {_TICKS[-1]}"
        for v in (band.low, band.middle, band.high)
    ]
    span = f" ({times[0]} to {times[2]})" if times[0] != times[2] else ""
    said = f"{word}: {times[1]}{span}, {state.verdict}"
    page.y = floor + 15
    page.words((LEFT, page.y), said if math.isfinite(band.middle) else f"{word}: no load")
