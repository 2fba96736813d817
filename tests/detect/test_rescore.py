"""Scores weighed by size and detail: what must not move, and which way the rest moves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fruitcount.detect.circles import USUAL_PX, calibrated_score, leave_one_out_residual


def test_a_usual_fruit_among_its_like_keeps_its_score() -> None:
    # 26 working pixels across is the usual width: 6.5 cells of two working pixels in radius.
    score = np.array([0.3, 0.5, 0.8, 0.6, 0.4])
    radius = np.full(5, 6.5 * USUAL_PX)
    assert calibrated_score(score, radius, USUAL_PX) == pytest.approx(score)


def test_the_small_one_out_loses() -> None:
    score = np.full(6, 0.5)
    radius = np.array([13.0, 13.0, 13.0, 13.0, 13.0, 6.0]) * USUAL_PX / 2
    told = calibrated_score(score, radius, USUAL_PX)
    assert told[5] < 0.45
    assert told[:5] == pytest.approx(0.5)


def test_a_score_is_worth_less_the_more_the_photo_was_shrunk() -> None:
    steps = [0.8, 2.0, USUAL_PX, 3.0, 6.0, 12.0]
    # the radius goes along: the mark is as fine on the working grid
    told = [float(calibrated_score(np.array([0.5]), np.array([6.5 * s]), s)[0]) for s in steps]
    assert told[0] == told[1] > told[2] > told[3] > told[4] == told[5]
    assert told[2] == pytest.approx(0.5)


@given(
    st.lists(st.tuples(st.floats(0.01, 0.99), st.floats(1.0, 200.0)), min_size=1, max_size=12),
    st.floats(0.5, 12.0),
)
def test_a_score_stays_a_chance(marks: list[tuple[float, float]], step: float) -> None:
    score, radius = np.array(marks).T
    told = calibrated_score(score, radius, step)
    assert ((told > 0) & (told < 1)).all()


def test_the_median_of_the_others_leaves_oneself_out() -> None:
    values = np.array([[1.0], [2.0], [3.0], [100.0]])
    apart = leave_one_out_residual(values, np.ones(4))[:, 0]
    # Lower weighted medians of {2,3,100}, {1,3,100}, {1,2,100}, {1,2,3}.
    assert apart.tolist() == [1 - 3, 2 - 3, 3 - 2, 100 - 2]
    assert leave_one_out_residual(values[:3], np.ones(3)).tolist() == [[0.0]] * 3
