"""Side shoots, on a drawn limb with one drawn shoot."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from limb.drawn_limb import LimbView, bar, curve, draw

from fruitcount.limb.find import find_limb
from fruitcount.limb.position import place_fruitlets
from fruitcount.limb.shoots import edge_width_px
from fruitcount.lines import nearest_on_line
from fruitcount.types import Fruitlets, Photo, Scale

SCALE = Scale(px_per_mm=2.0, rel_sd_frac=0.01, source="card")
BARK = (112.0, 82.0, 66.0)


def scene() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    picture, limb = draw(LimbView(leaves=25, leaves_over=0))
    fork = limb[180]
    tip = fork + np.array([70.0, -190])
    shoot = curve((tuple(fork), tuple((fork + tip) / 2 + (8, 4)), tuple(tip)))
    canvas = picture.astype(np.float32)
    bar(canvas, shoot, 13.0, 8.0, BARK, np.random.default_rng(1))
    return canvas.clip(0, 255).astype(np.uint8), limb, shoot


def marks(places: np.ndarray) -> Fruitlets:
    count = len(places)
    return Fruitlets.from_columns(x_px=places[:, 0], y_px=places[:, 1], r_px=np.full(count, 14.0))


def test_a_shoot_with_fruit_is_found_and_its_fruit_hang_at_the_fork() -> None:
    picture, limb, shoot = scene()
    on_shoot = shoot[[220, 360]] + (16, 6)
    on_limb = limb[[60, 300]] + (4, 22)
    fruit = marks(np.vstack([on_shoot, on_limb]))
    found = find_limb(Photo(picture), None, fruit, SCALE)
    assert len(found.shoots) == 1
    line = found.shoots[0].line_px
    assert nearest_on_line(shoot, line[:, 0], line[:, 1])[1].mean() < 6
    assert np.hypot(*(line[-1] - shoot[-1])) < 40
    fork_px = nearest_on_line(found.line_px, limb[180:181, 0], limb[180:181, 1])[0][0]
    assert found.shoots[0].fork_along_px == pytest.approx(fork_px, abs=20)
    assert found.shoots[0].base_diameter_mm == pytest.approx(6.0, rel=0.2)
    placed = place_fruitlets(fruit, found, SCALE)
    assert placed.shoot.tolist() == [0, 0, -1, -1]
    assert placed.along_px[:2] == pytest.approx([found.shoots[0].fork_along_px] * 2)


def test_a_shoot_without_fruit_is_left_out() -> None:
    picture, limb, _ = scene()
    fruit = marks(limb[[60, 300]] + (4, 22))
    assert find_limb(Photo(picture), None, fruit, SCALE).shoots == ()
    assert find_limb(Photo(picture), None, Fruitlets.empty(), SCALE).shoots == ()


@pytest.mark.parametrize("sigma", [2.0, 4.0])
def test_edge_width_of_a_blurred_step(sigma: float) -> None:
    picture = np.full((80, 200, 3), 40.0)
    picture[:30] = picture[50:] = 200.0
    picture = cv2.GaussianBlur(picture, (0, 0), sigma)
    line = np.array([[20.0, 39.5], [180.0, 39.5]])
    width = edge_width_px(Photo(picture.astype(np.uint8)), line, 10.0)
    # Steepest slope of a Gaussian-blurred step: height / (sigma * sqrt(2 pi)).
    assert width == pytest.approx(sigma * np.sqrt(2 * np.pi), rel=0.12)
    assert np.isnan(edge_width_px(Photo(picture.astype(np.uint8)), line + 900, 10.0))
