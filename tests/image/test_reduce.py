"""Halving before averaging gives nearly what one average gives."""

from __future__ import annotations

import numpy as np
import pytest

from fruitcount.image.opencv import cv2, halved, reduced_to, whole_step


@pytest.mark.parametrize("size", [(160, 120), (100, 75), (61, 45), (40, 30), (3, 2)])
@pytest.mark.parametrize("channels", [1, 3])
def test_like_one_average(size: tuple[int, int], channels: int) -> None:
    shape = (120, 160) if channels == 1 else (120, 160, 3)
    noise = np.random.default_rng(3).integers(0, 256, shape).astype(np.uint8)
    picture = np.asarray(cv2.GaussianBlur(noise, (0, 0), 1.5), np.uint8)
    out = reduced_to(picture, size)
    assert out.shape[:2] == size[::-1]
    once = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    gap = np.abs(out.astype(float) - once.astype(float))
    assert gap.mean() < 2.5


def test_whole_halvings_are_exact_means() -> None:
    picture = np.random.default_rng(4).integers(0, 256, (64, 96, 3)).astype(np.uint8)
    means = picture.reshape(32, 2, 48, 2, 3).mean(axis=(1, 3))
    assert np.abs(reduced_to(picture, (48, 32)) - means).max() <= 0.5


def test_odd_sizes_keep_their_whole_extent() -> None:
    ramp = np.tile(np.arange(101, dtype=np.uint8), (77, 1))
    out = reduced_to(ramp, (25, 19)).astype(float)
    assert out[0, 0] == pytest.approx(1.5, abs=0.6)
    assert out[0, -1] == pytest.approx(98.5, abs=0.6)


def test_whole_steps_are_taken_where_near() -> None:
    assert whole_step(0.508) == 0.5
    assert whole_step(0.254) == 0.25
    assert whole_step(1.0) == 1.0
    assert whole_step(0.7) == 0.7


def test_spare_is_nearer_to_one_average() -> None:
    noise = np.random.default_rng(5).integers(0, 256, (240, 320, 3)).astype(np.uint8)
    once = cv2.resize(noise, (37, 28), interpolation=cv2.INTER_AREA).astype(float)
    gap = [np.abs(reduced_to(noise, (37, 28), spare=s) - once).mean() for s in (1, 3, 9)]
    assert gap[0] > gap[1] > gap[2] == 0


def test_the_half_of_a_photo_is_kept_only_while_nobody_can_change_it() -> None:
    picture = np.random.default_rng(6).integers(0, 256, (64, 96, 3)).astype(np.uint8)
    first = halved(picture)
    picture[:2, :2] = 255
    assert (halved(picture)[0, 0] == 255).all()
    assert halved(picture) is not first
    picture.setflags(write=False)
    assert halved(picture) is halved(picture)
    assert (halved(picture)[0, 0] == 255).all()
    other = np.zeros_like(picture)
    other.setflags(write=False)
    assert halved(other).max() == 0


def test_a_view_of_what_may_change_is_halved_each_time() -> None:
    below = np.zeros((40, 40), np.uint8)
    view = below[:]
    view.setflags(write=False)
    assert halved(view).max() == 0
    below[:] = 9
    assert halved(view).min() == 9


def test_an_odd_row_or_column_is_left_out_of_a_half() -> None:
    assert halved(np.zeros((7, 9, 3), np.uint8)).shape == (3, 4, 3)
    assert halved(np.zeros((1, 1, 3), np.uint8)).shape == (1, 1, 3)
