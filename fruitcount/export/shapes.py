"""A drawing as a list of simple shapes, and the two ways to render it: PNG and vector PDF.

Units are points with y down from the top left, as wide as a phone screen (390), so that text of
12 units is readable both there and in print.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

from PIL import Image, ImageDraw, ImageFont

from fruitcount.resources import PLAIN_FONT

__all__ = ["Drawn", "Line", "Polygon", "Ring", "Words", "dashed", "to_pdf_drawing", "to_png"]

RGB = tuple[int, int, int]
Place = tuple[float, float]

_SUPERSAMPLE = 3
# The font is wider than most: this small, its lower-case letters are as high as theirs.
_LETTERS = 0.87


@dataclass(frozen=True)
class Line:
    """A polyline."""

    points: tuple[Place, ...]
    rgb: RGB
    width: float = 1.0


@dataclass(frozen=True)
class Polygon:
    """A filled outline; ``edge`` draws it too."""

    points: tuple[Place, ...]
    fill: RGB | None
    edge: RGB | None = None
    width: float = 1.0


@dataclass(frozen=True)
class Ring:
    """A circle."""

    x: float
    y: float
    r: float
    fill: RGB | None
    edge: RGB | None = None
    width: float = 1.0


@dataclass(frozen=True)
class Words:
    """One line of text; ``anchor`` is start, middle or end, ``y`` its baseline."""

    x: float
    y: float
    text: str
    rgb: RGB
    size: float = 12.0
    anchor: str = "start"


Shape = Line | Polygon | Ring | Words


@dataclass(frozen=True)
class Drawn:
    """Shapes on a page, later ones on top."""

    width: float
    height: float
    shapes: tuple[Shape, ...]
    paper: RGB


def dashed(
    start: Place, end: Place, rgb: RGB, *, width: float = 1.0, dash: float = 4.0
) -> list[Line]:
    """A dashed straight line as short lines: the same in every renderer."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = (dx * dx + dy * dy) ** 0.5
    pieces = max(int(length // (2 * dash)), 1)
    out = []
    for i in range(pieces):
        a, b = i / pieces, (i + 0.55) / pieces
        out.append(
            Line(
                (
                    (start[0] + a * dx, start[1] + a * dy),
                    (start[0] + b * dx, start[1] + b * dy),
                ),
                rgb,
                width,
            )
        )
    return out


def to_png(drawn: Drawn, *, width_px: int = 780) -> bytes:
    """Render as PNG.

    Parameters
    ----------
    drawn : Drawn
    width_px : int
        780 is a 390-unit phone screen at two pixels a unit. Larger is sharper.

    Returns
    -------
    bytes
    """
    big = width_px * _SUPERSAMPLE
    times = big / drawn.width
    image = Image.new("RGB", (big, round(drawn.height * times)), drawn.paper)
    pen = ImageDraw.Draw(image)
    for shape in drawn.shapes:
        _paint(pen, shape, times)
    size = (width_px, round(drawn.height * width_px / drawn.width))
    out = io.BytesIO()
    image.resize(size, Image.Resampling.LANCZOS).save(out, "PNG", optimize=True)
    return out.getvalue()


def _paint(pen: ImageDraw.ImageDraw, shape: Shape, times: float) -> None:
    if isinstance(shape, Line):
        points = [(x * times, y * times) for x, y in shape.points]
        pen.line(points, fill=shape.rgb, width=max(round(shape.width * times), 1), joint="curve")
    elif isinstance(shape, Polygon):
        points = [(x * times, y * times) for x, y in shape.points]
        if shape.fill is not None:
            pen.polygon(points, fill=shape.fill)
        if shape.edge is not None:
            wide = max(round(shape.width * times), 1)
            pen.line([*points, points[0], points[1]], fill=shape.edge, width=wide, joint="curve")
    elif isinstance(shape, Ring):
        r = shape.r + (shape.width / 2 if shape.edge is not None else 0)
        box = tuple(v * times for v in (shape.x - r, shape.y - r, shape.x + r, shape.y + r))
        wide = max(round(shape.width * times), 1)
        pen.ellipse(box, fill=shape.fill, outline=shape.edge, width=wide if shape.edge else 0)
    else:
        font = ImageFont.truetype(str(PLAIN_FONT), _LETTERS * shape.size * times)
        at = {"start": "ls", "middle": "ms", "end": "rs"}[shape.anchor]
        pen.text(
            (shape.x * times, shape.y * times), shape.text, fill=shape.rgb, font=font, anchor=at
        )


def to_pdf_drawing(drawn: Drawn, *, fit_pt: tuple[float, float]) -> Any:
    """Render as a ReportLab ``Drawing``: vectors, and a flowable for a report's story.

    Parameters
    ----------
    drawn : Drawn
    fit_pt : tuple of float
        Widest and tallest it may be on the page, in points; its shape is kept.
    """
    from reportlab.graphics import shapes as rl

    times = min(fit_pt[0] / drawn.width, fit_pt[1] / drawn.height)
    page = rl.Drawing(drawn.width * times, drawn.height * times)
    group = rl.Group(transform=(times, 0, 0, times, 0, 0))
    group.add(
        rl.Rect(0, 0, drawn.width, drawn.height, fillColor=_ink(drawn.paper), strokeColor=None)
    )
    for shape in drawn.shapes:
        group.add(_vector(rl, shape, drawn.height))
    page.add(group)
    return page


def _vector(rl: Any, shape: Shape, height: float) -> Any:
    """One shape with y turned upwards, as PDF has it."""
    from fruitcount.export.letters import usual_fonts

    if isinstance(shape, Line):
        flat = [v for x, y in shape.points for v in (x, height - y)]
        return rl.PolyLine(
            flat, strokeColor=_ink(shape.rgb), strokeWidth=shape.width, strokeLineJoin=1
        )
    if isinstance(shape, Polygon):
        flat = [v for x, y in shape.points for v in (x, height - y)]
        return rl.Polygon(
            flat, fillColor=_ink(shape.fill), strokeColor=_ink(shape.edge), strokeWidth=shape.width
        )
    if isinstance(shape, Ring):
        return rl.Circle(
            shape.x,
            height - shape.y,
            shape.r,
            fillColor=_ink(shape.fill),
            strokeColor=_ink(shape.edge),
            strokeWidth=shape.width,
        )
    return rl.String(
        shape.x,
        height - shape.y,
        shape.text,
        fillColor=_ink(shape.rgb),
        fontSize=_LETTERS * shape.size,
        fontName=usual_fonts()[0],
        textAnchor=shape.anchor,
    )


def _ink(rgb: RGB | None) -> Any:
    from reportlab.lib.colors import Color

    return None if rgb is None else Color(*(v / 255 for v in rgb))
