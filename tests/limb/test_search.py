"""Routes over drawn line maps: whole ones, the better of two, which end is the base."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from fruitcount.limb.find import MIN_RIGHT_CHANCE
from fruitcount.limb.search import LineMap, ridge_map, search_before, search_line

SHAPE = (120, 160)


def drawn(*pieces: tuple[tuple[int, int], tuple[int, int], float]) -> np.ndarray:
    line = np.zeros(SHAPE, np.float32)
    for start, end, strength in pieces:
        cv2.line(line, start, end, strength, 3)
    return cv2.GaussianBlur(line, (0, 0), 0.8)


def told(line: np.ndarray, base: tuple[int, int], tip: tuple[int, int]) -> LineMap:
    heats = []
    for x, y in (base, tip):
        heat = np.zeros(SHAPE, np.float32)
        heat[y, x] = 1
        heat = cv2.GaussianBlur(heat, (0, 0), 2)
        heats.append(0.9 * heat / heat.max())
    half = np.full(SHAPE, 12.0, np.float32)
    return LineMap(line, *heats, np.zeros(SHAPE, np.float32), half, 10.0)


@pytest.mark.parametrize("turn_deg", range(0, 360, 30))
def test_a_limb_is_found_from_base_to_tip(turn_deg: int) -> None:
    way = 45 * np.array([np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))])
    base, tip = (tuple(int(v) for v in np.rint((80, 60) + k * way)) for k in (-1, 1))
    found = search_line(told(drawn((base, tip, 1.0)), base, tip))
    assert found is not None
    # ten photo pixels a cell, from the middle of the first one
    assert np.linalg.norm(found.line_px[0] - (10 * np.array(base) + 4.5)) < 30
    assert np.linalg.norm(found.line_px[-1] - (10 * np.array(tip) + 4.5)) < 30
    assert found.base_odds > 2
    assert found.leaves_frame == (False, False)
    assert found.right_chance > 0.9


def test_another_limb_as_likely_makes_it_unsure() -> None:
    one, other = ((20, 20), (130, 30), 1.0), ((20, 90), (130, 100), 0.9)
    alone = search_line(told(drawn(one), one[0], one[1]))
    both = search_line(told(drawn(one, other), one[0], one[1]))
    assert alone is not None
    assert both is not None
    assert both.right_chance < MIN_RIGHT_CHANCE < alone.right_chance


def test_a_sheet_tells_which_limb_but_not_how_long_it_is() -> None:
    one, other = ((20, 20), (130, 30), 1.0), ((40, 90), (150, 100), 0.9)
    maps = told(drawn(one, other), one[0], one[1])
    sheet = 10.0 * np.array([[60, 60], [130, 60], [130, 118], [60, 118]])
    found = search_before(maps, sheet)
    assert found is not None
    assert found.line_px[:, 1].min() > 850
    alone = told(drawn(other), other[0], other[1])
    whole, by_sheet = search_line(alone), search_before(alone, sheet)
    assert whole is not None
    assert by_sheet is not None
    assert np.array_equal(by_sheet.line_px, whole.line_px)
    assert whole.line_px[-1][0] - whole.line_px[0][0] > 1000


def test_ridges_alone_say_nothing_of_ends_or_of_being_right() -> None:
    found = search_line(ridge_map(drawn(((20, 60), (140, 60), 1.0)), 4.0))
    assert found is not None
    assert found.by_ridge
    assert np.isnan(found.right_chance)
    assert abs(found.line_px[0][0] - found.line_px[-1][0]) > 0.9 * 120 * 4


def test_an_empty_map_has_no_route() -> None:
    assert search_line(ridge_map(np.zeros(SHAPE, np.float32), 1.0)) is None
