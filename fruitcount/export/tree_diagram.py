"""A tree as its limbs in proportion: thick as their wood, long as their share of the fruit."""

from __future__ import annotations

import math

from fruitcount.export.actions import ACTIONS, INK_RGB, PAPER_RGB
from fruitcount.export.diagram_limb import BARK_RGB, FAINT_RGB
from fruitcount.export.shapes import Drawn, Line, Polygon, Shape, Words, dashed, to_png
from fruitcount.tree.sheet import TreeSheet

__all__ = ["tree_diagram_png", "tree_diagram_words"]

WIDTH, TRUNK, ROW = 390.0, 195.0, 46.0
LONGEST, THICKEST = 168.0, 13.0


def tree_diagram_png(sheet: TreeSheet, *, width_px: int = 780) -> bytes:
    """The limbs from the lowest up, left and right of the trunk, in the order of the sheet.

    Blue is the part of a limb's fruit that stays; a dashed limb was not photographed.
    """
    rows = math.ceil(len(sheet.limbs) / 2)
    height = ROW * rows + 40
    most = max((limb.whole_n for limb in sheet.limbs), default=1) or 1
    thick = max((limb.area_cm2 for limb in sheet.limbs if limb.area_cm2 > 0), default=1.0)
    shapes: list[Shape] = [
        Polygon(((TRUNK - 8, height), (TRUNK - 3, 16), (TRUNK + 3, 16), (TRUNK + 8, height)),
                BARK_RGB, INK_RGB, 0.6)
    ]  # fmt: skip
    for k, limb in enumerate(sheet.limbs):
        side, y = (-1 if k % 2 == 0 else 1), height - 22 - ROW * (k // 2)
        share = limb.whole_n / most
        wide = THICKEST * math.sqrt(limb.area_cm2 / thick) if limb.area_cm2 > 0 else 3.0
        start, end = TRUNK + 6 * side, TRUNK + side * (6 + max(LONGEST * share, 4))
        keeps = start + (end - start) * min(limb.keep_n / max(limb.whole_n, 1), 1.0)
        if limb.counted:
            shapes.append(Line(((start, y), (end, y)), BARK_RGB, max(wide, 2.0)))
            shapes.append(Line(((start, y), (keeps, y)), ACTIONS["keep"].rgb, max(wide - 2, 1.4)))
        else:
            shapes += dashed((start, y), (end, y), FAINT_RGB, width=max(wide, 2.0))
        anchor = "end" if side < 0 else "start"
        words = f"{limb.name[:20]}: keep {limb.keep_n} of {limb.whole_n}"
        shapes.append(Words(TRUNK + 16 * side, y - THICKEST / 2 - 5, words, INK_RGB, 12, anchor))
    return to_png(Drawn(WIDTH, height, tuple(shapes), PAPER_RGB), width_px=width_px)


def tree_diagram_words(sheet: TreeSheet) -> str:
    """The same in words, for those who do not see it."""
    limbs = (f"{x.name}, {x.whole_n} fruit, keep {x.keep_n}" for x in sheet.limbs)
    return f"The tree, limb by limb: {'; '.join(limbs)}."
