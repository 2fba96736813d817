"""The tree drawn: every limb in words, length by its share of the fruit, thickness by its wood."""

from __future__ import annotations

import math

import pytest
from reportlab.graphics.shapes import PolyLine, String

from fruitcount.export.limb_diagram import draw_tree, tree_words
from fruitcount.tree.sheet import LimbShare, TreeSheet, Work


def _limb(name, area_cm2, whole_n, keep_n, *, counted=True):
    nothing = Work(*(math.nan for _ in Work.__dataclass_fields__))
    return LimbShare(name, area_cm2, float(whole_n), counted, keep_n, keep_n, nothing, whole_n)


def test_limbs_are_drawn_in_proportion_and_told_in_words():
    limbs = (_limb("1", 4.0, 20, 5), _limb("low", 1.0, 10, 4), _limb("3", 2.0, 8, 2, counted=False))
    sheet = TreeSheet(limbs, None, None)  # the drawing asks its limbs only
    page = draw_tree(sheet)
    wood = [s for s in page.shapes if isinstance(s, PolyLine)]
    length = [abs(s.points[2] - s.points[0]) for s in wood[:4]]  # wood and kept part, two limbs
    assert length[0] == pytest.approx(2 * length[2])
    assert length[1] == pytest.approx(length[0] * 5 / 20)
    # area goes with the square of the thickness
    assert wood[0].strokeWidth == pytest.approx(2 * wood[2].strokeWidth)
    said = [s.text for s in page.shapes if isinstance(s, String)]
    assert said == ["1: keep 5 of 20", "low: keep 4 of 10", "3: not seen, at most 2"]
    assert "low, 10 fruit, keep 4" in tree_words(sheet)
    assert page.svg().count("<polyline")
