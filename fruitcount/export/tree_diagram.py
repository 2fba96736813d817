"""A tree as its limbs in proportion: thick as their wood, long as their share of the fruit."""

from __future__ import annotations

import math

from fruitcount.export.diagram_page import WIDTH, Page
from fruitcount.export.limb_diagram import BARK_RGB, FAINT_RGB
from fruitcount.export.words import ACTIONS
from fruitcount.tree.sheet import TreeSheet

ROW, LONGEST, THICKEST = 46.0, 168.0, 13.0


def draw_tree(sheet: TreeSheet) -> Page:
    """The limbs from the lowest up, left and right of the trunk, in the order of the sheet.

    Blue is the part of a limb's fruit that stays; a dashed limb was not photographed.
    """
    page, trunk = Page(), WIDTH / 2
    floor = ROW * math.ceil(len(sheet.limbs) / 2) + 26
    page.y = floor - 14
    page.polygon((trunk - 8, floor), (trunk - 3, 16), (trunk + 3, 16), (trunk + 8, floor),
                 fill=BARK_RGB)  # fmt: skip
    most = max((limb.whole_n for limb in sheet.limbs), default=1) or 1
    thick = max((limb.area_cm2 for limb in sheet.limbs if limb.area_cm2 > 0), default=1.0)
    for k, limb in enumerate(sheet.limbs):
        side, y = (-1 if k % 2 == 0 else 1), floor - 16 - ROW * (k // 2)
        wide = THICKEST * math.sqrt(limb.area_cm2 / thick) if limb.area_cm2 > 0 else 3.0
        long = max(LONGEST * limb.whole_n / most, 4.0)
        start, end = trunk + 6 * side, trunk + (6 + long) * side
        keeps = start + (end - start) * min(limb.keep_n / max(limb.whole_n, 1), 1.0)
        if limb.counted:
            page.line((start, y), (end, y), rgb=BARK_RGB, width=max(wide, 2.0))
            page.line((start, y), (keeps, y), rgb=ACTIONS["keep"].rgb, width=max(wide - 2, 1.4))
        else:
            page.dashed((start, y), (end, y), FAINT_RGB, max(wide, 2.0))
        words = f"{limb.name[:20]}: keep {limb.keep_n} of {limb.whole_n}"
        at = (trunk + 16 * side, y - THICKEST / 2 - 5)
        page.words(at, words, anchor="end" if side < 0 else "start")
    return page


def tree_words(sheet: TreeSheet) -> str:
    """The same in words, for those who do not see it."""
    limbs = (f"{x.name}, {x.whole_n} fruit, keep {x.keep_n}" for x in sheet.limbs)
    return f"The tree, limb by limb: {'; '.join(limbs)}."
