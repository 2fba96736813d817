"""The page of a diagram: blocks from the top down, words wrapped to a phone's width."""

from __future__ import annotations

import textwrap

from fruitcount.export.actions import INK_RGB, PAPER_RGB
from fruitcount.export.shapes import Drawn, Shape, Words

__all__ = ["LEFT", "RIGHT", "WIDTH", "Page"]

WIDTH = 390.0
LEFT, RIGHT = 30.0, 372.0


class Page:
    """Shapes from the top down; ``y`` is where the next block begins."""

    def __init__(self) -> None:
        self.y = 10.0
        self.shapes: list[Shape] = []

    def add(self, *shapes: Shape) -> None:
        """Draw on top of what is there."""
        self.shapes.extend(shapes)

    def title(self, text: str) -> None:
        """Largest words, wrapped."""
        for line in textwrap.wrap(text, 42):
            self.y += 18
            self.add(Words(14, self.y, line, INK_RGB, 17))
        self.y += 6

    def heading(self, text: str) -> None:
        """Begin a block."""
        self.y += 27
        self.add(Words(14, self.y, text, INK_RGB, 13.5))
        self.y += 6

    def text(self, text: str, *, small: bool = False) -> None:
        """A sentence, wrapped."""
        size = 11.0 if small else 12.5
        for line in textwrap.wrap(text, 74 if small else 64):
            self.y += size + 4
            self.add(Words(14, self.y, line, INK_RGB, size))

    def drawn(self) -> Drawn:
        """The finished drawing, as tall as its blocks."""
        return Drawn(WIDTH, self.y + 14, tuple(self.shapes), PAPER_RGB)
