"""Peaks to circles: placed to a fraction of a cell, one a fruit, touching fruit kept apart."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fruitcount.detect.circles import circles_from_maps, one_a_fruit, peaks
from fruitcount.types import Maps


def bells(centres: list[tuple[float, float, float]], size: int = 60) -> np.ndarray:
    """Gaussian bumps (row, col, height) with a sigma of 2.5 cells."""
    i, j = np.mgrid[:size, :size]
    heat = np.zeros((size, size))
    for row, col, height in centres:
        heat = np.maximum(heat, height * np.exp(-((i - row) ** 2 + (j - col) ** 2) / 12.5))
    return heat.astype(np.float32)


def maps_with(heat: np.ndarray, radius_px: float, px_per_cell: float = 2.0) -> Maps:
    blank = np.zeros(heat.shape, np.float32)
    return Maps(heat, np.full(heat.shape, radius_px, np.float32), blank, px_per_cell, "trained")


@given(st.floats(10, 50), st.floats(10, 50))
def test_a_peak_is_placed_to_a_tenth_of_a_cell(row: float, col: float) -> None:
    found, height = peaks(bells([(row, col, 0.8)]), 0.3)
    # Midway between two cells both are peaks, at one and the same place.
    assert 1 <= len(found) <= 4
    # A parabola through samples of a Gaussian 2.5 cells wide errs by under 0.03 cells.
    assert np.abs(found - (row, col)).max() < 0.1
    # Off the middle of a cell by 0.7 the Gaussian is down by 4 %.
    assert height[0] == pytest.approx(0.8, abs=0.035)
    x, *_ = circles_from_maps(maps_with(bells([(row, col, 0.8)]), 8.0), 0.3)
    assert len(x) == 1


def test_map_cells_become_photo_pixels() -> None:
    x, y, r, score = circles_from_maps(maps_with(bells([(20, 31, 0.9)]), 9.0, 4.0), 0.3)
    # Cell 31 covers photo columns 124 to 127: its centre is 125.5.
    assert (x[0], y[0]) == pytest.approx((125.5, 81.5), abs=0.05)
    assert r[0] == pytest.approx(9.0)
    assert score[0] == pytest.approx(0.9, abs=1e-6)


def test_touching_fruit_stay_two_and_a_doubled_mark_goes() -> None:
    r = np.array([10.0, 10.0, 10.0])
    x = np.array([0.0, 20.0, 4.0])
    assert one_a_fruit(x, np.zeros(3), r).tolist() == [0, 1]


def test_heavy_overlap_of_strong_peaks_is_kept() -> None:
    # Two fruit one before the other: centres 1.2 radii apart.
    assert len(one_a_fruit(np.array([0.0, 12.0]), np.zeros(2), np.full(2, 10.0))) == 2


@given(st.integers(0, 40), st.integers(0, 2**32 - 1))
def test_kept_circles_are_all_apart(n: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 100, (2, n))
    r = rng.uniform(2, 15, n)
    keep = one_a_fruit(x, y, r)
    apart = np.hypot(x[keep][:, None] - x[keep], y[keep][:, None] - y[keep])
    apart[np.diag_indices(len(keep))] = np.inf
    assert (apart >= 0.5 * (r[keep][:, None] + r[keep]) - 1e-9).all()
    assert n == 0 or keep[0] == 0


def test_an_empty_map_gives_nothing() -> None:
    x, *_ = circles_from_maps(maps_with(np.zeros((20, 20), np.float32), 5.0), 0.3)
    assert len(x) == 0
