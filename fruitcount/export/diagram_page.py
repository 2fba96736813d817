"""The page of a diagram: blocks from the top down, in vectors for a PDF or as a PNG.

Units are points with y down from the top left, as wide as a phone screen (390), so that text of
12 units is readable both there and in print. Shapes are ReportLab's. Its own PNG writer needs
system libraries, matplotlib takes 1.7 s to load: Pillow paints the few shapes used.
"""

from __future__ import annotations

import io
import textwrap

from PIL import Image, ImageDraw, ImageFont
from reportlab.graphics.shapes import (
    Circle,
    Drawing,
    Group,
    Polygon,
    PolyLine,
    Rect,
    String,
)
from reportlab.lib.colors import Color

from fruitcount.export.actions import INK_RGB, PAPER_RGB
from fruitcount.export.letters import usual_fonts
from fruitcount.resources import PLAIN_FONT

RGB = tuple[int, int, int]
Place = tuple[float, float]

WIDTH = 390.0
LEFT, RIGHT = 30.0, 372.0
_SUPERSAMPLE = 3
# The font is wider than most: this small, its lower-case letters are as high as theirs.
_LETTERS = 0.87


class Page:
    """Shapes from the top down, later ones on top; ``y`` is where the next block begins."""

    def __init__(self) -> None:
        self.y = 10.0
        self.shapes: list[PolyLine | Polygon | Circle | String] = []

    def line(self, *points: Place, rgb: RGB = INK_RGB, width: float = 1.0) -> None:
        """A line through points."""
        self.shapes.append(
            PolyLine(_flat(points), strokeColor=_ink(rgb), strokeWidth=width, strokeLineJoin=1)
        )

    def dashed(self, start: Place, end: Place, rgb: RGB, width: float, dash: float = 4.0) -> None:
        """A dashed straight line, as short lines: the same in print and on a screen."""
        dx, dy = end[0] - start[0], end[1] - start[1]
        pieces = max(int((dx * dx + dy * dy) ** 0.5 // (2 * dash)), 1)
        for i in range(pieces):
            a, b = i / pieces, (i + 0.55) / pieces
            ends = ((start[0] + t * dx, start[1] + t * dy) for t in (a, b))
            self.line(*ends, rgb=rgb, width=width)

    def polygon(self, *points: Place, fill: RGB, edge: RGB | None = None, width: float = 1) -> None:
        """A filled outline, with its edge where that has a colour."""
        ink = {"fillColor": _ink(fill), "strokeColor": _ink(edge), "strokeWidth": width}
        self.shapes.append(Polygon(_flat(points), **ink))

    def ring(self, at: Place, r: float, fill: RGB, width: float = 1.0, edge: RGB = INK_RGB) -> None:
        """A filled circle with an edge."""
        ink = {"fillColor": _ink(fill), "strokeColor": _ink(edge), "strokeWidth": width}
        self.shapes.append(Circle(at[0], -at[1], r, **ink))

    def words(self, at: Place, text: str, size: float = 12.0, anchor: str = "start") -> None:
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

    def png(self, width_px: int = 780) -> bytes:
        """As PNG; 780 is a phone's screen at two pixels a unit, larger is sharper."""
        times = width_px * _SUPERSAMPLE / WIDTH
        size = (width_px * _SUPERSAMPLE, round(self.height * times))
        image = Image.new("RGB", size, PAPER_RGB)
        pen = ImageDraw.Draw(image)
        for shape in self.shapes:
            _paint(pen, shape, times)
        small = (width_px, round(self.height * width_px / WIDTH))
        out = io.BytesIO()
        image.resize(small, Image.Resampling.LANCZOS).save(out, "PNG", optimize=True)
        return out.getvalue()


def _flat(points: tuple[Place, ...]) -> list[float]:
    return [v for x, y in points for v in (x, -y)]


def _ink(rgb: RGB | None) -> Color | None:
    return None if rgb is None else Color(*(v / 255 for v in rgb))


def _paint(
    pen: ImageDraw.ImageDraw, shape: PolyLine | Polygon | Circle | String, times: float
) -> None:
    def pil(color: Color | None) -> str | None:
        return color and f"#{color.hexval()[2:]}"

    if isinstance(shape, String):
        font = ImageFont.truetype(str(PLAIN_FONT), shape.fontSize * times)
        anchor = {"start": "ls", "middle": "ms", "end": "rs"}[shape.textAnchor]
        at = (shape.x * times, -shape.y * times)
        pen.text(at, shape.text, fill=pil(shape.fillColor), font=font, anchor=anchor)
        return
    wide = max(round(shape.strokeWidth * times), 1)
    if isinstance(shape, Circle):
        x, y, r = shape.cx, -shape.cy, shape.r + shape.strokeWidth / 2
        box = [v * times for v in (x - r, y - r, x + r, y + r)]
        pen.ellipse(box, fill=pil(shape.fillColor), outline=pil(shape.strokeColor), width=wide)
        return
    points = [
        (x * times, -y * times) for x, y in zip(shape.points[::2], shape.points[1::2], strict=True)
    ]
    if isinstance(shape, Polygon):
        pen.polygon(points, fill=pil(shape.fillColor))
        points += points[:2]
    if shape.strokeColor is not None:
        pen.line(points, fill=pil(shape.strokeColor), width=wide, joint="curve")
