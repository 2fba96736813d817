"""The working size: fruit comes out equally wide from near and far, and within the time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fruitcount.fruitness.resample import (
    FRUIT_MM,
    FRUIT_PX,
    LIKED_PX,
    MOST_ENLARGING,
    MOST_PIXELS,
    known_factor,
    liked_factor,
    most_looked_at,
    resampled,
    search_factors,
    start_factor,
)
from fruitcount.types import Scale


@given(st.floats(0.3, 40), st.integers(50, 9000), st.integers(50, 9000))
def test_the_factor_is_bounded(px_per_mm: float, rows: int, cols: int) -> None:
    factor = known_factor((rows, cols), Scale(px_per_mm=px_per_mm))
    assert 0 < factor <= MOST_ENLARGING
    assert rows * cols * factor**2 <= MOST_PIXELS * (1 + 1e-9)
    assert factor * px_per_mm * FRUIT_MM <= FRUIT_PX * (1 + 1e-9)


def test_a_known_scale_makes_fruit_the_wanted_width() -> None:
    factor = known_factor((3000, 4000), Scale(px_per_mm=5.0))
    assert factor * 5.0 * 15.0 == pytest.approx(FRUIT_PX)


@given(st.floats(0.3, 40), st.integers(50, 9000), st.integers(50, 9000))
def test_the_net_sees_fruit_wider_where_the_mirror_is_not_lost(
    px_per_mm: float, rows: int, cols: int
) -> None:
    shape, scale = (rows, cols), Scale(px_per_mm=px_per_mm)
    least, liked = known_factor(shape, scale), liked_factor(shape, scale)
    assert least <= liked <= max(least, LIKED_PX / (FRUIT_MM * px_per_mm) * (1 + 1e-9))
    if liked > least:
        assert 2 * rows * cols * liked**2 <= most_looked_at(shape) * (1 + 1e-9)


def test_the_search_looks_again_only_where_it_pays() -> None:
    assert search_factors((3000, 4000), 0.25, LIKED_PX) == ()
    assert search_factors((3000, 4000), 0.25, float("nan")) == ()
    (again,) = search_factors((750, 1000), 1.0, LIKED_PX / 1.35)
    assert again == pytest.approx(1.35)


@given(st.integers(50, 9000), st.integers(50, 9000), st.floats(1, 400))
def test_both_passes_together_hold_to_the_limit(rows: int, cols: int, diameter_px: float) -> None:
    first = start_factor((rows, cols))
    for again in search_factors((rows, cols), first, diameter_px):
        assert rows * cols * (first**2 + again**2) <= most_looked_at((rows, cols)) * (1 + 1e-9)


@pytest.mark.parametrize("shape", [(3000, 4000), (4000, 3000), (3400, 3400), (2250, 4000)])
def test_a_large_photo_of_small_fruit_is_looked_at_again_whatever_its_shape(
    shape: tuple[int, int],
) -> None:
    first = start_factor(shape)
    (again,) = search_factors(shape, first, LIKED_PX / 3)
    assert again > 1.3 * first


def test_resampling_keeps_the_mean_and_the_proportions() -> None:
    photo = np.random.default_rng(0).integers(0, 255, (90, 120, 3)).astype(np.uint8)
    small = resampled(photo, 0.5)
    assert small.shape == (45, 60, 3)
    assert small.mean() == pytest.approx(photo.mean(), abs=1.0)
    assert resampled(photo, start_factor(photo.shape)).shape == photo.shape
    assert min(resampled(photo, 1e-4).shape[:2]) == 1
