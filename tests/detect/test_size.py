"""Sizes on drawn discs of known radius: whole, partly hidden, and with nothing to see."""

from __future__ import annotations

import numpy as np
import pytest

from fruitcount.detect.size import diameters_mm, measure_sizes
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.image.opencv import cv2
from fruitcount.types import Scale

GREEN, LEAF, SKY = (138, 168, 84), (60, 105, 45), (150, 175, 215)


def disc(r_px: float, *, hide: float = 0.0, ground: tuple[int, int, int] = LEAF) -> np.ndarray:
    """A disc centred at (150, 150); ``hide`` covers that share of its width from the left."""
    photo = np.full((300, 300, 3), ground, np.uint8)
    centre = (150 * 16, 150 * 16)
    cv2.circle(photo, centre, round(r_px * 16), GREEN, -1, cv2.LINE_AA, 4)
    edge = round(150 - r_px + 2 * r_px * hide)
    photo[:, : max(edge, 0) if hide else 0] = (90, 120, 60)
    noise = np.random.default_rng(5).normal(0, 3, photo.shape)
    return np.clip(photo + noise, 0, 255).astype(np.uint8)


def measured(photo: np.ndarray, r_px: float, log_sd: float = 0.15):
    return measure_sizes(photo, np.array([[150.0, 150.0, r_px]]), log_sd)


@pytest.mark.parametrize("r_px", [10.0, 25.0, 60.0])
@pytest.mark.parametrize("wrong", [0.85, 1.0, 1.15])
def test_a_wrong_radius_is_mended_by_the_rim(r_px: float, wrong: float) -> None:
    photo = disc(r_px)
    sizes = measured(photo, r_px * wrong)
    # The drawn disc's own radius, by its area: rasterising rounds it up by under half a pixel.
    bright = cv2.GaussianBlur(photo, (0, 0), 0.7)[..., 0] > (GREEN[0] + LEAF[0]) / 2
    drawn = float(np.sqrt(bright.sum() / np.pi))
    # Strips have steps of 5 % of the given radius; 3 % is half of that and blur.
    assert sizes.r_px[0] == pytest.approx(drawn, rel=0.03)
    assert sizes.visible_frac[0] > 0.9
    assert sizes.roundness_frac[0] > 0.9


def test_a_hidden_third_does_not_shrink_the_fruit() -> None:
    sizes = measured(disc(40, hide=0.3), 37.0)
    assert sizes.r_px[0] == pytest.approx(40, rel=0.05)
    assert sizes.visible_frac[0] < measured(disc(40), 37.0).visible_frac[0]


def test_with_no_rim_the_circle_stays() -> None:
    plain = np.full((300, 300, 3), GREEN, np.uint8)
    sizes = measured(plain, 30.0, 0.1)
    assert sizes.r_px[0] == pytest.approx(30.0, rel=0.01)
    assert sizes.r_log_sd[0] == pytest.approx(0.1, rel=0.05)


def test_a_trusted_radius_moves_less() -> None:
    photo = disc(40)
    free, held = (measured(photo, 33.0, sd).r_px[0] for sd in (0.2, 0.03))
    assert 33.0 <= held < free


def test_an_oblong_fruit_is_less_round() -> None:
    photo = np.full((300, 300, 3), LEAF, np.uint8)
    cv2.ellipse(photo, (150, 150), (50, 34), 30, 0, 360, GREEN, -1, cv2.LINE_AA)
    assert measured(photo, 41.0).roundness_frac[0] < 0.8


def test_resizing_photo_and_circle_together_changes_nothing() -> None:
    photo = disc(24, ground=SKY)
    double = cv2.resize(photo, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    one = measured(photo, 22.0)
    two = measure_sizes(double, np.array([[300.5, 300.5, 44.0]]), 0.15)
    assert two.r_px[0] == pytest.approx(2 * one.r_px[0], rel=0.02)


def test_at_the_photo_edge_and_beyond_nothing_breaks() -> None:
    circles = np.array([[0.0, 0.0, 30.0], [299.0, 150.0, 400.0], [-50.0, 20.0, 5.0]])
    sizes = measure_sizes(disc(20), circles, 0.1)
    assert np.isfinite(sizes.r_px).all()
    assert (sizes.visible_frac >= 0).all()
    assert (sizes.visible_frac <= 1).all()


def test_no_circles_give_no_sizes() -> None:
    assert len(measure_sizes(disc(20), np.zeros((0, 3)), 0.1).r_px) == 0


@pytest.mark.parametrize("light", ["sun", "shade", "dusk"])
def test_drawn_scenes_get_better_not_worse(light: str) -> None:
    settings = SceneSettings(fruit_n=14, light=light, hidden_frac=0.3, width_px=1400, height_px=900)
    photo, truth = draw_scene(3, settings)
    asked = truth.visible_frac > 0.5
    circles = np.column_stack([truth.x_px, truth.y_px, truth.r_px])[asked]
    rng = np.random.default_rng(4)
    given = circles.copy()
    given[:, 2] *= np.exp(rng.normal(0, 0.1, len(given)))
    sizes = measure_sizes(photo.rgb, given, 0.1)
    before = np.abs(np.log(given[:, 2] / circles[:, 2]))
    after = np.abs(np.log(sizes.r_px / circles[:, 2]))
    assert np.median(after) < 0.6 * np.median(before)


def test_millimetres_and_their_uncertainty() -> None:
    sizes = measured(disc(40), 40.0)
    diameter, sd = diameters_mm(sizes, Scale(px_per_mm=4.0, rel_sd_frac=0.02, source="card"))
    assert diameter[0] == pytest.approx(20.0, rel=0.03)
    _, wider = diameters_mm(sizes, Scale(px_per_mm=4.0, rel_sd_frac=0.1, source="fruit"))
    assert 0.02 * diameter[0] < sd[0] < wider[0]
    assert np.isnan(diameters_mm(sizes, Scale())[0]).all()
