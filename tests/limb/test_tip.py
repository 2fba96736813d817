"""The limb ends where its bark ends: drawn limbs with what hides the tip, against the drawing."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from limb.drawn_limb import LimbView, draw

from fruitcount.limb.centre import Band
from fruitcount.limb.find import find_limb
from fruitcount.limb.result import extended
from fruitcount.limb.tip import Hidden, ended
from fruitcount.lines import resampled
from fruitcount.types import Fruitlets, Photo, Scale

NOTHING = Hidden(np.zeros(0), np.zeros(0), np.zeros(0))
GREEN = (70, 120, 45)


@pytest.fixture
def drawn() -> tuple[np.ndarray, np.ndarray]:
    """A limb whose last tenth is left open: picture and true line."""
    gentle = ((60, 420), (300, 335), (520, 250), (760, 150))
    return draw(LimbView(points=gentle, leaves=20, leaves_over=0, seed=2))


def upto(line: np.ndarray, share: float) -> Band:
    """What a coarse search might give: the line up to a share of it."""
    return Band(resampled(line[: int(share * len(line))], 200), np.ones(200), 9.0)


def off_px(band: Band, line: np.ndarray) -> float:
    """How far the found end lies beyond the drawn one; negative when it is short of it."""
    ahead = line[-1] - line[-40]
    return float((band.line_px[-1] - line[-1]) @ ahead / np.hypot(*ahead))


def disc(at: np.ndarray, r: float) -> Hidden:
    return Hidden(at[:1], at[1:], np.array([r]))


@pytest.mark.parametrize("share", [0.86, 0.92, 0.97])
def test_a_line_that_stops_short_is_carried_on(drawn, share: float) -> None:
    picture, line = drawn
    found = ended(Photo(picture), None, upto(line, share), NOTHING)
    # The bar is rounded: its wood goes on for a half width, 7 px, past the last drawn point.
    assert -4 <= off_px(found.band, line) <= 11


def test_a_line_that_runs_on_is_cut_back(drawn) -> None:
    picture, line = drawn
    beyond = line[-1] + (line[-1] - line[-60]) / 59 * np.arange(1, 20)[:, None]
    found = ended(Photo(picture), None, upto(np.vstack([line, beyond]), 1), NOTHING)
    assert -4 <= off_px(found.band, line) <= 11


def test_wood_seen_again_past_a_fruit_belongs_to_the_limb(drawn) -> None:
    picture, line = drawn
    at = line[355]
    cv2.circle(picture, tuple(np.rint(at).astype(int).tolist()), 20, GREEN, -1, cv2.LINE_AA)
    found = ended(Photo(picture), None, upto(line, 0.86), disc(at, 20))
    assert -4 <= off_px(found.band, line) <= 11


def test_a_fruit_at_the_tip_is_not_wood(drawn) -> None:
    picture, line = drawn
    ahead = (line[-1] - line[-40]) / np.hypot(*(line[-1] - line[-40]))
    at = line[-1] + 28 * ahead
    cv2.circle(picture, tuple(np.rint(at).astype(int).tolist()), 21, GREEN, -1, cv2.LINE_AA)
    found = ended(Photo(picture), None, upto(line, 0.9), disc(at, 21))
    assert not found.seen  # what is behind the fruit cannot be told
    assert -4 <= off_px(found.band, line) <= 12


def test_a_speck_past_a_gap_is_not_the_limb(drawn) -> None:
    picture, line = drawn
    ahead = (line[-1] - line[-40]) / np.hypot(*(line[-1] - line[-40]))
    speck = np.rint(line[-1] + 34 * ahead).astype(int)
    cv2.circle(picture, tuple(speck.tolist()), 3, (112, 82, 66), -1, cv2.LINE_AA)
    found = ended(Photo(picture), None, upto(line, 0.9), NOTHING)
    assert off_px(found.band, line) <= 11


def test_without_bark_or_room_nothing_changes(drawn) -> None:
    picture, line = drawn
    meadow = np.full_like(picture, GREEN)
    band = upto(line, 0.9)
    assert ended(Photo(meadow), None, band, NOTHING).band is band
    unknown = Band(band.line_px, band.support, float("nan"))
    assert ended(Photo(picture), None, unknown, NOTHING).band is unknown
    stub = upto(line, 0.1)
    assert ended(Photo(picture), None, stub, NOTHING).band is stub


def test_the_whole_search_meets_both_ends(drawn) -> None:
    picture, line = drawn
    limb = find_limb(Photo(picture), None, Fruitlets.empty(), Scale())
    length = float(np.hypot(*np.diff(line, axis=0).T).sum())
    assert limb.length_px == pytest.approx(length, rel=0.05)


def test_only_a_near_edge_is_reached_for() -> None:
    line = np.column_stack([np.linspace(10, 80, 50), np.full(50, 40.0)])
    free = {"at_start": False, "at_end": True}
    assert extended(line, (100, 84), **free)[-1][0] == pytest.approx(83)
    assert extended(line, (100, 84), **free, most_px=2.0) is line
    assert extended(line, (100, 95), **free) is line  # 14 px is more than 4 % of 100
