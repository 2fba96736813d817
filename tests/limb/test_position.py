"""Places along the limb, against hand-worked geometry."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from fruitcount.limb.position import place_fruitlets
from fruitcount.types import Fruitlets, Limb, Scale, Shoot

SCALE = Scale(px_per_mm=2.0, rel_sd_frac=0.01, source="card")
# An elbow: 300 px to the right, then 400 px down.
LINE = np.array([[0.0, 0.0], [300, 0], [300, 400]])
LIMB = Limb(line_px=LINE, width_px=np.full(3, 20.0), length_px=700.0, length_mm=350.0)


def fruit(*rows: tuple[float, float, float]) -> Fruitlets:
    x, y, r = np.array(rows, float).T
    return Fruitlets.from_columns(x_px=x, y_px=y, r_px=r)


def test_hand_worked_places() -> None:
    placed = place_fruitlets(fruit((120, 30, 20), (330, 100, 20), (300, 400, 15)), LIMB, SCALE)
    assert placed.along_px == pytest.approx([120, 400, 700])
    assert placed.along_mm == pytest.approx([60, 200, 350])
    assert placed.offset_px == pytest.approx([30, 30, 0])
    assert placed.on_limb.tolist() == [1, 1, 1]
    assert placed.shoot.tolist() == [-1, -1, -1]


def test_far_fruit_is_off_the_limb() -> None:
    # 40 mm is 80 px, measured to the fruit's near side.
    placed = place_fruitlets(fruit((100, 99, 20), (100, 101, 20), (100, 250, 20)), LIMB, SCALE)
    assert placed.on_limb.tolist() == [1, 0, 0]
    # Without a scale 8 % of the limb's length, 56 px.
    placed = place_fruitlets(fruit((100, 75, 20), (100, 77, 20)), LIMB, Scale())
    assert placed.on_limb.tolist() == [1, 0]
    assert np.isnan(placed.along_mm).all()


def test_fruit_past_the_ends() -> None:
    placed = place_fruitlets(fruit((-60, 0, 10), (-300, 0, 10)), LIMB, SCALE)
    assert placed.along_px == pytest.approx([0, 0])
    assert placed.on_limb.tolist() == [1, 0]


def test_fruit_on_a_shoot_hangs_at_its_fork() -> None:
    shoot = Shoot(line_px=np.array([[150.0, 0], [150, -200]]), fork_along_px=150.0)
    limb = Limb(line_px=LINE, length_px=700.0, shoots=(shoot,))
    placed = place_fruitlets(fruit((165, -150, 15), (150, 20, 15), (160, -12, 15)), limb, SCALE)
    assert placed.shoot.tolist() == [0, -1, -1]
    assert placed.along_px == pytest.approx([150, 150, 160])
    assert placed.offset_px == pytest.approx([15, 20, 12])


def test_clusters_are_fruit_that_touch() -> None:
    rows = [(100, 20, 20), (138, 20, 20), (183, 20, 20), (260, 20, 20), (105, 300, 20)]
    placed = place_fruitlets(fruit(*rows), LIMB, SCALE)
    # Gaps: -2 px, 5 px (within 5 mm = 10 px), 37 px.
    assert placed.cluster.tolist() == [0, 0, 0, 1, 2]


def test_no_limb_means_could_not_tell() -> None:
    placed = place_fruitlets(fruit((100, 20, 20), (130, 20, 20)), Limb(), SCALE)
    assert placed.on_limb.tolist() == [-1, -1]
    assert np.isnan(placed.along_px).all()
    assert placed.cluster.tolist() == [0, 0]


def test_no_fruit_is_no_error() -> None:
    assert len(place_fruitlets(Fruitlets.empty(), LIMB, SCALE)) == 0
    assert len(place_fruitlets(Fruitlets.empty(), Limb(), Scale())) == 0


def test_other_columns_and_order_are_kept() -> None:
    marks = fruit((250, 10, 9), (20, 10, 9)).with_columns(score=[0.3, 0.9], by_hand=[True, False])
    placed = place_fruitlets(marks, LIMB, SCALE)
    assert placed.score.tolist() == [0.3, 0.9]
    assert placed.by_hand.tolist() == [True, False]
    assert placed.x_px.tolist() == [250, 20]


points = arrays(np.float64, (12, 2), elements=st.floats(0, 700))


@settings(max_examples=60, deadline=None)
@given(points, st.integers(1, 3))
def test_a_quarter_turn_changes_no_place(xy: np.ndarray, quarter_turns: int) -> None:
    size = 801

    def turned(p: np.ndarray) -> np.ndarray:
        for _ in range(quarter_turns):
            p = np.column_stack([p[:, 1], size - 1 - p[:, 0]])
        return p

    def place(p: np.ndarray, line: np.ndarray) -> Fruitlets:
        marks = Fruitlets.from_columns(x_px=p[:, 0], y_px=p[:, 1], r_px=np.full(12, 15.0))
        return place_fruitlets(marks, Limb(line_px=line, length_px=700.0), SCALE)

    first, second = place(xy, LINE), place(turned(xy), turned(LINE))
    assert second.offset_px == pytest.approx(first.offset_px, abs=1e-6)
    # On the elbow's bisector two places are equally near: either is right.
    tie = np.abs(np.abs(xy[:, 0] - 300) - np.abs(xy[:, 1])) < 1e-6
    assert second.along_px[~tie] == pytest.approx(first.along_px[~tie], abs=1e-5)
    assert second.cluster.tolist() == first.cluster.tolist()


@settings(max_examples=40, deadline=None)
@given(points, st.floats(0.3, 4))
def test_mm_do_not_depend_on_megapixels(xy: np.ndarray, zoom: float) -> None:
    def place(k: float) -> Fruitlets:
        marks = Fruitlets.from_columns(
            x_px=xy[:, 0] * k, y_px=xy[:, 1] * k, r_px=np.full(12, 15.0 * k)
        )
        limb = Limb(line_px=LINE * k, length_px=700.0 * k)
        return place_fruitlets(marks, limb, Scale(px_per_mm=2.0 * k))

    one, other = place(1.0), place(zoom)
    tie = np.abs(np.abs(xy[:, 0] - 300) - np.abs(xy[:, 1])) < 1e-6
    assert other.along_mm[~tie] == pytest.approx(one.along_mm[~tie], abs=1e-6)
