"""Injection and recovery, on drawn photos with stand-in detectors."""

from __future__ import annotations

import numpy as np
import pytest

from fruitcount.errors import BadInputError
from fruitcount.evaluate.completeness import completeness_curve, recover, wilson_interval
from fruitcount.evaluate.inject import CompletenessSettings, Injected, inject
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene, fruitlets_of
from fruitcount.types import Fruitlets, Photo

SCENE = SceneSettings(width_px=600, height_px=400, px_per_mm=1.5, fruit_n=6, leaf_n=30)


@pytest.mark.parametrize("copied_frac", [0.0, 1.0])
def test_injected_fruit_is_where_it_is_said_to_be(copied_frac: float) -> None:
    photo, truth = draw_scene(1, SCENE)
    known = fruitlets_of(truth)
    settings = CompletenessSettings(from_photo_frac=copied_frac)
    changed, put = inject(photo, known, 7, settings=settings)
    assert len(put.x_px) >= 8
    assert put.copied.tolist() == [copied_frac == 1.0] * len(put.x_px)
    moved = (changed.rgb != photo.rgb).any(axis=2)
    yy, xx = np.mgrid[: photo.height_px, : photo.width_px]
    inside = np.zeros_like(moved)
    for x, y, r in zip(put.x_px, put.y_px, put.r_px, strict=True):
        inside |= np.hypot(xx - x, yy - y) <= r + 1
    assert not (moved & ~inside).any()
    assert moved[inside].mean() > 0.8
    apart = np.hypot(put.x_px[:, None] - known.x_px, put.y_px[:, None] - known.y_px)
    assert (apart > put.r_px[:, None] + known.r_px).all()
    assert changed.sha256 == ""


def test_same_seed_same_injection() -> None:
    photo, truth = draw_scene(1, SCENE)
    first, _ = inject(photo, fruitlets_of(truth), 3)
    again, _ = inject(photo, fruitlets_of(truth), 3)
    assert np.array_equal(first.rgb, again.rgb)


def test_recovery_by_a_detector_that_sees_only_large_fruit() -> None:
    photo, truth = draw_scene(2, SCENE)
    settings = CompletenessSettings(fruit_n=20, r_px=(6.0, 16.0))
    _, put = inject(photo, fruitlets_of(truth), 5, settings=settings)
    calls = iter([fruitlets_of(truth), _large_only(put)])
    run = recover(photo, lambda _: next(calls), 5, settings=settings)
    np.testing.assert_array_equal(run.found, put.r_px > 11)
    curve = completeness_curve([run], bins_n=4)
    assert curve.share[0] == 0
    assert curve.share[-1] == 1
    assert (curve.share_low <= curve.share + 1e-12).all()
    assert (curve.share <= curve.share_high + 1e-12).all()
    assert curve.n.sum() == len(put.x_px)


def _large_only(put: Injected) -> Fruitlets:
    big = put.r_px > 11
    return Fruitlets.from_columns(x_px=put.x_px[big], y_px=put.y_px[big], r_px=put.r_px[big])


def test_contrast_falls_when_the_fruit_takes_the_colour_around_it() -> None:
    # A flat photo, one bright and one flat source: drawn fruit in either colour.
    shades = []
    for level in (60, 200):
        rgb = np.full((200, 200, 3), 60, np.uint8)
        rgb[90:110, 90:110] = level
        one = Fruitlets.from_columns(x_px=[100.0], y_px=[100.0], r_px=[9.0], score=[1.0])
        settings = CompletenessSettings(fruit_n=4, r_px=(8, 10), from_photo_frac=1.0)
        _, put = inject(Photo(rgb), one, 0, settings=settings)
        shades.append(put.contrast.mean())
    assert shades[0] < 1
    assert shades[1] > 30


def test_no_room_and_no_radii() -> None:
    tiny = Photo(np.zeros((20, 20, 3), np.uint8))
    none = Fruitlets.empty()
    with pytest.raises(BadInputError, match="r_px"):
        inject(tiny, none, 0)
    _, put = inject(tiny, none, 0, settings=CompletenessSettings(r_px=(9, 9)))
    assert len(put.x_px) == 0
    assert completeness_curve([put]).n.sum() == 0
    assert completeness_curve([]).n.sum() == 0


def test_wilson_interval_of_a_published_example() -> None:
    # R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Statistics in
    # Medicine 17:857, 1998, table I, Wilson without continuity correction (from memory):
    # 81/263 gives 0.2553-0.3662, 15/148 gives 0.0624-0.1605, 0/20 gives 0-0.1611.
    assert wilson_interval(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    assert wilson_interval(15, 148) == pytest.approx((0.0624, 0.1605), abs=5e-5)
    assert wilson_interval(0, 20) == pytest.approx((0.0, 0.1611), abs=5e-5)
    assert np.isnan(wilson_interval(0, 0)).all()


def test_bad_settings() -> None:
    with pytest.raises(BadInputError, match="r_px"):
        CompletenessSettings(r_px=(9, 3))
    with pytest.raises(BadInputError, match="fruit_n"):
        CompletenessSettings(fruit_n=0)
    with pytest.raises(BadInputError, match="property_name"):
        completeness_curve([], "colour")
