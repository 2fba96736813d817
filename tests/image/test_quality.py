"""Blur, darkness and over-exposure of pictures degraded by known amounts."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from fruitcount.flags import Flag
from fruitcount.image.quality import measure_quality, photo_quality
from fruitcount.types import Photo


def scene(seed: int = 0, size: int = 900) -> np.ndarray:
    """Leaves of many sizes: random dark and light polygons, with a fine grain."""
    rng = np.random.default_rng(seed)
    picture = np.full((size * 3 // 4, size, 3), 110, np.uint8)
    for _ in range(500):
        centre = rng.uniform([0, 0], [size, size * 3 // 4])
        reach = rng.uniform(8, 60)
        turn = np.sort(rng.uniform(0, 2 * np.pi, 7))
        points = centre + reach * np.column_stack([np.cos(turn), 0.5 * np.sin(turn)])
        colour = rng.integers((20, 60, 10), (170, 210, 110)).tolist()
        cv2.fillPoly(picture, [points.astype(np.int32)], colour, cv2.LINE_AA)
    return np.clip(picture + rng.normal(0, 3, picture.shape), 0, 255).astype(np.uint8)


def test_a_good_photo_has_no_flag() -> None:
    assert photo_quality(Photo(scene())) == Flag.NONE


def test_blur_is_flagged_and_measured_in_order() -> None:
    picture = scene()
    sharp = [
        measure_quality(cv2.GaussianBlur(picture, (0, 0), s)).sharpness for s in (0.3, 1, 2, 4)
    ]
    assert sharp == sorted(sharp, reverse=True)
    blurred = cv2.GaussianBlur(picture, (0, 0), 3)
    assert photo_quality(Photo(blurred)) == Flag.PHOTO_BLURRED


def test_blur_does_not_depend_on_megapixels() -> None:
    small = scene(size=1024)
    large = cv2.resize(small, None, fx=2.5, fy=2.5, interpolation=cv2.INTER_CUBIC)
    assert measure_quality(large).sharpness == pytest.approx(
        measure_quality(small).sharpness, rel=0.1
    )


@pytest.mark.parametrize(("gain", "flag"), [(0.12, Flag.PHOTO_DARK), (3.5, Flag.PHOTO_BRIGHT)])
def test_exposure(gain: float, flag: Flag) -> None:
    picture = np.clip(scene().astype(float) * gain, 0, 255).astype(np.uint8)
    assert flag in photo_quality(Photo(picture))


def test_a_flat_picture_is_not_sharp() -> None:
    assert Flag.PHOTO_BLURRED in photo_quality(Photo(np.full((50, 60, 3), 128, np.uint8)))
    assert Flag.PHOTO_BLURRED in photo_quality(Photo(np.full((1, 1, 3), 128, np.uint8)))


def test_sharpness_and_exposure_are_what_their_definitions_say() -> None:
    # Sorting everything, as NumPy does, against counting and sorting the top alone.
    picture = scene(seed=3)
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)

    def top(values: np.ndarray) -> float:
        sobel = [cv2.Sobel(values, cv2.CV_32F, *way) for way in ((1, 0), (0, 1))]
        return float(np.percentile(np.hypot(*sobel), 99))

    seen = measure_quality(picture)
    assert seen.sharpness == pytest.approx(top(grey) / top(cv2.GaussianBlur(grey, (0, 0), 2)), 1e-5)
    assert seen.median == np.median(grey)
    assert seen.dark_frac == pytest.approx(np.mean(grey < 20))
    assert seen.bright_frac == pytest.approx(np.mean(grey >= 250))
