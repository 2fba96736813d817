"""The net's looks at a photo: at the size it likes, within the time, the mirror where it fits."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fruitcount.detect.heatmap_sizes import (
    ALIKE,
    FRUIT_MM,
    LIKED_PX,
    Look,
    known_factor,
    known_look,
    most_looked_at,
    search_looks,
    start_factor,
)
from fruitcount.types import Scale


def _pixels(shape: tuple[int, int], *looks: Look | None) -> float:
    return sum(shape[0] * shape[1] * look.factor**2 * (1 + look.mirror) for look in looks if look)


@given(st.floats(0.3, 40), st.integers(50, 9000), st.integers(50, 9000))
def test_the_net_sees_fruit_wider_where_the_mirror_is_not_lost(
    px_per_mm: float, rows: int, cols: int
) -> None:
    shape, scale = (rows, cols), Scale(px_per_mm=px_per_mm)
    least, look = known_factor(shape, scale), known_look(shape, scale)
    assert least <= look.factor <= max(least, LIKED_PX / (FRUIT_MM * px_per_mm) * (1 + 1e-9))
    if look.factor > least:
        assert look.mirror
    if look.mirror:
        assert _pixels(shape, look) <= most_looked_at(shape) * (1 + 1e-5)


def test_the_search_looks_again_only_where_it_pays() -> None:
    assert search_looks((3000, 4000), 0.25, LIKED_PX)[1] is None
    assert search_looks((3000, 4000), 0.25, float("nan"))[1] is None
    _, again = search_looks((750, 1000), 1.0, LIKED_PX / 1.35)
    assert again is not None
    assert again.factor == pytest.approx(1.35)


@given(st.integers(50, 9000), st.integers(50, 9000), st.floats(1, 400))
def test_all_looks_together_hold_to_the_limit(rows: int, cols: int, diameter_px: float) -> None:
    first = start_factor((rows, cols))
    once, again = search_looks((rows, cols), first, diameter_px)
    assert once.factor == first
    if again is not None:
        assert max(again.factor / first, first / again.factor) >= ALIKE
        assert _pixels((rows, cols), once, again) <= most_looked_at((rows, cols)) * (1 + 1e-5)


@pytest.mark.parametrize("shape", [(3000, 4000), (4000, 3000), (3400, 3400), (2250, 4000)])
def test_a_large_photo_of_small_fruit_is_looked_at_again_whatever_its_shape(
    shape: tuple[int, int],
) -> None:
    first = start_factor(shape)
    _, again = search_looks(shape, first, LIKED_PX / 3)
    assert again is not None
    assert again.factor > 1.3 * first
