"""Cards covered in part: fruit over a corner, a leaf blade across the border, a twig into it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn_card import View, draw

from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.image import card
from fruitcount.image.card import find_card
from fruitcount.image.cardhidden import markers_in_part
from fruitcount.types import Photo

SIDE_MM = 50.0


def covered(view: View, outline: np.ndarray, colour: tuple[int, int, int]) -> Photo:
    picture, _ = draw(view)
    cv2.fillPoly(picture, [np.round(outline).astype(np.int32)], colour, cv2.LINE_AA)
    return Photo(picture)


def disc(middle: np.ndarray, r_px: float) -> np.ndarray:
    turn = np.linspace(0, 2 * np.pi, 60)
    return middle + r_px * np.column_stack([np.cos(turn), np.sin(turn)])


@pytest.mark.parametrize("corner", range(4))
@pytest.mark.parametrize("card_id", [20, 37])
def test_a_fruit_over_a_corner_leaves_number_and_scale(corner: int, card_id: int) -> None:
    view = View(px_per_mm=4, spin_deg=8, tilt_deg=12, axis_deg=30, card_id=card_id, side_mm=SIDE_MM)
    _, corners = draw(view)
    middle = corners[corner] + 0.05 * (corners[corner] - corners.mean(axis=0))
    scale = find_card(covered(view, disc(middle, 0.13 * 200), (120, 150, 80)), SIDE_MM)
    assert scale.card_id == card_id
    assert scale.px_per_mm == pytest.approx(4, rel=0.02)


@pytest.mark.parametrize("colour", [(150, 180, 90), (60, 45, 35)], ids=["leaf", "twig"])
@pytest.mark.parametrize("share", [0.12, 0.5])
def test_a_blade_from_outside_into_the_border_leaves_number_and_scale(
    colour: tuple[int, int, int], share: float
) -> None:
    view = View(px_per_mm=4, spin_deg=5, card_id=23, side_mm=SIDE_MM)
    _, corners = draw(view)
    foot = corners[0] + share * (corners[1] - corners[0])
    inward = (corners[3] - corners[0]) / 200
    aside = (corners[1] - corners[0]) / 200
    tip, outer = foot + 22 * inward + 6 * aside, foot - 120 * inward
    blade = np.array([tip - 3 * aside, tip + 3 * aside, outer + 9 * aside, outer - 9 * aside])
    scale = find_card(covered(view, blade, colour))
    assert scale.card_id == 23
    assert scale.px_per_mm == pytest.approx(4, rel=0.01)


def test_two_fruit_over_the_border_and_a_stake_that_holds_it_leave_number_and_scale() -> None:
    view = View(px_per_mm=4, spin_deg=-3, card_id=19, side_mm=SIDE_MM)
    _, corners = draw(view)
    right, down = (corners[1] - corners[0]) / 200, (corners[3] - corners[0]) / 200
    photo = covered(view, disc(corners[0] + 110 * right - 14 * down, 25), (110, 125, 70))
    picture = photo.rgb.copy()
    for outline, colour in (
        (disc(corners[0] + 158 * right - 6 * down, 24), (70, 95, 50)),
        (corners[3] + np.array([[100, -20], [112, 15], [112, 90], [90, 90], [90, 15]])
         @ np.array([right, down]), (95, 75, 65)),
    ):  # fmt: skip
        cv2.fillPoly(picture, [np.round(outline).astype(np.int32)], colour, cv2.LINE_AA)
    scale = find_card(Photo(picture), SIDE_MM)
    assert scale.card_id == 19
    assert scale.px_per_mm == pytest.approx(4, rel=0.01)


def test_a_card_is_looked_for_behind_what_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    view = View(px_per_mm=4, spin_deg=8, tilt_deg=12, axis_deg=30, card_id=37, side_mm=SIDE_MM)
    _, corners = draw(view)
    photo = covered(view, disc(corners[2], 26), (120, 150, 80))
    false = (np.array([[220.0, 105], [246, 108], [182, 135], [174, 126]]), 17)
    monkeypatch.setattr(card, "_markers", lambda _: [false])
    assert find_card(photo, SIDE_MM).card_id == 37


def test_small_steep_and_hidden_at_once_is_no_card(monkeypatch: pytest.MonkeyPatch) -> None:
    picture, _ = draw(View(px_per_mm=4, tilt_deg=20, card_id=23))
    photo = Photo(picture)
    monkeypatch.setattr(card, "MIN_SIDE_PX", 1e4)
    monkeypatch.setattr(card, "MAX_TILT_DEG", 0.0)
    assert find_card(photo).card_id == 23
    monkeypatch.setattr(card, "MAX_HIDDEN_FRAC", -1.0)
    assert not find_card(photo).known


def test_its_corners_come_in_the_order_of_the_whole_card() -> None:
    for turn in range(4):
        picture, corners = draw(View(px_per_mm=4, spin_deg=90 * turn + 10, card_id=31))
        ((found, number),) = markers_in_part(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
        assert number == 31
        assert np.abs(found - corners).max() < 2.0


def test_half_a_card_is_not_guessed_at() -> None:
    view = View(px_per_mm=4, card_id=25)
    _, corners = draw(view)
    half = np.array([corners[0], (corners[0] + corners[1]) / 2, (corners[2] + corners[3]) / 2])
    outline = np.vstack([half, corners[3]]) + np.array([[-9, -9], [0, -9], [0, 9], [-9, 9]])
    assert not find_card(covered(view, outline, (110, 140, 70))).known


@pytest.mark.parametrize("seed", range(6))
def test_nothing_is_read_where_there_is_no_card(seed: int) -> None:
    photo, _ = draw_scene(seed, SceneSettings(card_side_mm=0.0))
    assert markers_in_part(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)) == []
