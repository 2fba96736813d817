"""Yellowing against the photo's own light: drawn scenes with known classes, and coloured light."""

from __future__ import annotations

import numpy as np
import pytest

from fruitcount.detect.classify import (
    YELLOW_FROM,
    cautious,
    fruit_colours,
    kinds,
    yellow_clues,
    yellow_frac,
)
from fruitcount.detect.size import measure_sizes
from fruitcount.evaluate.known import Truth
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.flags import Flag
from fruitcount.image.opencv import cv2
from fruitcount.image.quality import Light, colour_doubt, linear, log_ratios, photo_light
from fruitcount.types import Kind, Photo, Scale

SETTINGS = SceneSettings(
    fruit_n=18, yellowing_frac=0.25, width_px=1300, height_px=870, px_per_mm=3.2, card_side_mm=40
)

WIDE = np.full(6, 20.0)


def yellow_of(rgb: np.ndarray, truth: Truth, scale: Scale) -> np.ndarray:
    circles = np.column_stack([truth.x_px, truth.y_px, truth.r_px])
    sizes = measure_sizes(rgb, circles, 0.05)
    light = photo_light(rgb, scale)
    clues = yellow_clues(fruit_colours(sizes.rim), sizes.r_px, np.ones(len(circles)), light)
    unknown = np.full(len(circles), np.nan)
    return yellow_frac(clues, np.ones(len(circles)), unknown, sizes.r_px)


def test_small_yellow_fruit_are_told_from_green_on_drawn_limbs() -> None:
    hits = called = known = 0
    for seed in range(6):
        photo, truth = draw_scene(seed, SETTINGS)
        asked = truth.visible_frac > 0.5
        yes = yellow_of(photo.rgb, truth, Scale())[asked] >= YELLOW_FROM
        is_yellow = truth.kind[asked] == Kind.YELLOWING
        hits += int((yes & is_yellow).sum())
        called += int(yes.sum())
        known += int(is_yellow.sum())
    assert known >= 10
    assert hits >= 0.9 * called
    assert hits >= 0.7 * known


@pytest.mark.parametrize("gain", [(1.15, 1.0, 0.85), (0.9, 1.0, 1.15)])
def test_warm_and_cool_light_change_little(gain: tuple[float, float, float]) -> None:
    photo, truth = draw_scene(1, SETTINGS)
    tinted = np.clip(photo.rgb * np.array(gain), 0, 255).astype(np.uint8)
    asked = truth.visible_frac > 0.5
    plain = yellow_of(photo.rgb, truth, Scale())[asked] >= YELLOW_FROM
    seen = yellow_of(tinted, truth, Scale())[asked] >= YELLOW_FROM
    assert np.mean(plain != seen) <= 0.1


def test_the_card_tells_the_light() -> None:
    photo = np.full((400, 400, 3), (70, 110, 50), np.uint8)
    photo[100:300, 100:300] = (200, 180, 140)  # paper under a warm light
    photo[140:260, 140:260] = 20
    corners = np.array([[140, 140], [259, 140], [259, 259], [140, 259]], float)
    light = photo_light(photo, Scale(px_per_mm=3.0, source="card", corners_px=corners))
    assert light.source == "card"
    expected = log_ratios(linear(np.array([200, 180, 140])))
    assert (light.red_green, light.blue_green) == pytest.approx(tuple(expected), abs=1e-6)


def test_linear_light_is_the_standard_curve() -> None:
    # IEC 61966-2-1: 0.04045 is where the two parts meet; 0.5 becomes 0.2140.
    assert linear(np.array([127.5]))[0] == pytest.approx(0.21404, abs=1e-5)
    assert linear(np.array([0, 255])).tolist() == [0.0, 1.0]


def test_lamp_light_and_no_foliage_are_doubtful() -> None:
    photo, _ = draw_scene(2, SETTINGS)
    assert colour_doubt(photo, Scale()) == Flag.NONE
    lamp = np.full((400, 400, 3), (90, 80, 20), np.uint8)
    lamp[100:300, 100:300] = (230, 170, 80)
    lamp[140:260, 140:260] = 20
    corners = np.array([[140, 140], [259, 140], [259, 259], [140, 259]], float)
    card = Scale(px_per_mm=3.0, source="card", corners_px=corners)
    assert colour_doubt(Photo(rgb=lamp), card) == Flag.COLOUR_DOUBTFUL
    grey = np.full((200, 300, 3), 128, np.uint8)
    assert colour_doubt(Photo(rgb=grey), Scale()) == Flag.COLOUR_DOUBTFUL


def test_a_doubtful_fruit_stays_fruit() -> None:
    middle = np.array([0.5, YELLOW_FROM + 0.05, 0.1, 0.1])
    round_ = np.array([0.9, 0.9, np.nan, 0.5])
    silent = np.full(4, np.nan)
    told = kinds(middle, round_, np.zeros(4), silent, trust_colour=True)
    assert told.tolist() == [Kind.FRUIT, Kind.YELLOWING, Kind.FRUIT, Kind.DAMAGED]
    # Under coloured light only what the net too finds plainly yellow.
    plain = np.array([0.5, 0.8, 0.95, 0.1])
    for net, sick in ((silent, []), (plain, [2])):
        told = kinds(plain, np.ones(4), np.zeros(4), net, trust_colour=False)
        assert np.flatnonzero(told == Kind.YELLOWING).tolist() == sick


def test_the_net_can_decide_and_its_silence_changes_little() -> None:
    clues = np.tile([0.3, -0.3, -0.1, -0.1], (4, 1))
    chance = np.array([0.02, 0.98, np.nan, np.nan])
    low, high, none, _ = yellow_frac(clues, np.full(4, 0.8), chance, WIDE[:4])
    assert low < none < YELLOW_FROM < high


def test_colour_alone_never_calls_fruit_as_large_or_as_green_as_the_others_yellowing() -> None:
    clues = np.array([[0.5, -0.5, -0.5, -0.5], [0.5, 0.0, -0.5, -0.5], [0.5, -0.5, -0.5, 0.0]] * 2)
    told = yellow_frac(clues, np.ones(6), np.full(6, np.nan), WIDE) >= YELLOW_FROM
    assert told.tolist() == [True, False, False] * 2


def test_a_mark_that_is_hardly_fruit_must_be_yellower() -> None:
    clues = np.tile([0.1, -0.4, -0.2, -0.15], (3, 1))
    score = np.array([0.46, 0.9, np.nan])
    doubtful, sure, by_hand = yellow_frac(clues, score, np.full(3, 0.5), WIDE[:3])
    assert doubtful < YELLOW_FROM < sure <= by_hand


def test_doubtful_marks_and_small_ones_are_called_yellowing_with_more_caution() -> None:
    chance = np.array([0.75, 0.95, 0.75, 0.85, 0.95])
    score = np.array([0.9, 0.4, np.nan, 0.9, 0.9])
    r_px = np.array([20.0, 20.0, 20.0, 9.0, 9.0])
    told = cautious(chance, score, r_px)
    assert (told >= YELLOW_FROM).tolist() == [True, False, True, True, True]
    assert told[3] < chance[3]
    # 0.80 of a small one counts as 0.70 of a wide one: 4 to 1 against 7 to 3
    small = cautious(np.array([0.799, 0.801]), np.ones(2), np.full(2, 9.0)) >= YELLOW_FROM
    assert small.tolist() == [False, True]


def test_a_lone_fruit_is_judged_by_itself_only() -> None:
    clues = yellow_clues(np.array([[0.1, -1.0, 2.0]]), np.array([9.0]), np.ones(1), Light())
    assert clues.tolist() == [[0.1, 0.0, 0.0, 0.0]]


def test_a_brown_scar_is_seen() -> None:
    from fruitcount.detect.classify import SCAR_FROM, scar_frac

    photo = np.full((200, 200, 3), (60, 105, 45), np.uint8)
    cv2.circle(photo, (100, 100), 40, (138, 168, 84), -1, cv2.LINE_AA)
    clean = measure_sizes(photo, np.array([[100.0, 100.0, 40.0]]), 0.05).rim
    cv2.circle(photo, (112, 108), 24, (96, 62, 38), -1, cv2.LINE_AA)
    hurt = measure_sizes(photo, np.array([[100.0, 100.0, 40.0]]), 0.05).rim
    assert scar_frac(clean, Light())[0] < 0.05
    assert scar_frac(hurt, Light())[0] > SCAR_FROM * 0.8
