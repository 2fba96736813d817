"""Colours and shapes shared by every picture, so that one mark means one thing everywhere.

Colours are from the Okabe-Ito set, which stays apart for the common colour-vision deficiencies
(Okabe M., Ito K., "Color Universal Design", 2008; values from memory). No meaning rests on
colour alone: each fate has a shape of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "BLACK",
    "CUT_RGB",
    "FATES",
    "INK_RGB",
    "LIMB_RGB",
    "OVER_RGB",
    "PAPER_RGB",
    "WHITE",
    "FateStyle",
]

RGB = tuple[int, int, int]

BLACK: RGB = (0, 0, 0)
WHITE: RGB = (255, 255, 255)
INK_RGB: RGB = (24, 28, 32)
PAPER_RGB: RGB = (250, 249, 244)
CUT_RGB: RGB = (204, 121, 167)
OVER_RGB: RGB = (213, 94, 0)
LIMB_RGB: RGB = WHITE


@dataclass(frozen=True)
class FateStyle:
    """How one fate is drawn and named.

    Attributes
    ----------
    word : str
        What the legend says.
    rgb : tuple of int
    shape : {"ring", "cross", "slash", "triangle", "dots"}
    """

    word: str
    rgb: RGB
    shape: str


FATES: dict[str, FateStyle] = {
    "keep": FateStyle("keep", (86, 180, 233), "ring"),
    "pinch": FateStyle("pinch off", (213, 94, 0), "cross"),
    "cut": FateStyle("goes with the cut", (230, 159, 0), "slash"),
    "yellowing": FateStyle("yellowing, will drop", (240, 228, 66), "triangle"),
    "elsewhere": FateStyle("not on this limb", (190, 190, 190), "dots"),
    "counted": FateStyle("counted", WHITE, "ring"),
}
