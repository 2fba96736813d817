"""The pairing rule, against hand-worked cases and an independent slow version."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from fruitcount.evaluate.known import Truth, truth_from_columns
from fruitcount.evaluate.match import match, match_surest
from fruitcount.types import Fruitlets


def circles(rows: list[tuple[float, float, float]], **extra: object) -> Truth:
    x, y, r = np.array(rows, float).reshape(-1, 3).T
    return truth_from_columns("a", (100, 100), columns={"x_px": x, "y_px": y, "r_px": r, **extra})


def found(rows: list[tuple[float, float]]) -> Fruitlets:
    x, y = np.array(rows, float).reshape(-1, 2).T
    return Fruitlets.from_columns(x_px=x, y_px=y, r_px=np.ones(len(x)), score=np.ones(len(x)))


def test_circle_matches_under_seven_tenths_of_the_radius() -> None:
    truth = circles([(50, 50, 10)])
    assert match(found([(56.9, 50)]), truth).hits_n == 1
    at_limit = match(found([(57.0, 50)]), truth)
    assert (at_limit.hits_n, at_limit.false_n, at_limit.missed_n) == (0, 1, 1)


def test_box_matches_when_the_centre_is_inside() -> None:
    truth = circles([(50, 50, 1)], half_w_px=[10.0], half_h_px=[5.0])
    assert match(found([(59.9, 54.9)]), truth).hits_n == 1
    assert match(found([(50, 55.1)]), truth).hits_n == 0


def test_nearest_first_and_one_to_one() -> None:
    truth = circles([(50, 50, 10), (58, 50, 10)])
    # 54.5 is nearer to 58; 55 is nearest of all to 58, so 54.5 is left with 50.
    m = match(found([(54.5, 50), (55, 50), (51, 50)]), truth)
    assert m.truth_of.tolist() == [-1, 1, 0]
    assert (m.hits_n, m.false_n, m.missed_n) == (2, 1, 0)


def test_of_two_marks_of_one_fruit_the_surer_takes_it_for_learning() -> None:
    truth = circles([(50, 50, 10), (20, 20, 10)], visible_frac=[1.0, 0.1])
    marks = Fruitlets.from_columns(
        x_px=np.array([50.0, 54.0, 54.5, 22.0]), y_px=np.array([50.0, 50.0, 50.0, 20.0]),
        r_px=np.ones(4), score=np.array([0.2, 0.6, 0.9, 0.8]),
    )  # fmt: skip
    assert match(marks, truth).truth_of.tolist() == [0, -1, -1, -1]
    m = match_surest(marks, truth)
    assert m.truth_of.tolist() == [-1, -1, 0, -1]
    assert (m.dropped.tolist(), m.missed_n) == ([False, False, False, True], 0)


def test_ignored_fruit_is_neither_asked_for_nor_punished() -> None:
    truth = circles([(50, 50, 10), (20, 20, 10)], visible_frac=[0.49, 0.5])
    m = match(found([(61.9, 50), (62.1, 50)]), truth)
    assert m.dropped.tolist() == [True, False]
    assert (m.hits_n, m.false_n, m.missed_n) == (0, 1, 1)


def test_asked_fruit_wins_over_dropping() -> None:
    truth = circles([(50, 50, 10), (52, 50, 10)], ignore=[False, True])
    m = match(found([(52, 50)]), truth)
    assert (m.hits_n, m.dropped.any()) == (1, False)


def test_nothing_on_either_side() -> None:
    assert match(Fruitlets.empty(), circles([(1, 1, 1)])).missed_n == 1
    assert match(found([(1, 1)]), circles([])).false_n == 1
    assert match(Fruitlets.empty(), circles([])).hits_n == 0


def slow(points: list[tuple[int, int]], truth: Truth) -> dict[int, int]:
    """Take the closest allowed pair out again and again."""
    pairs: dict[int, int] = {}
    while True:
        best = None
        for i, (x, y) in enumerate(points):
            for k in range(len(truth)):
                d = float(np.hypot(x - truth.x_px[k], y - truth.y_px[k]))
                free = i not in pairs and k not in pairs.values()
                if free and d < 0.7 * truth.r_px[k] and (best is None or d < best[0]):
                    best = (d, i, k)
        if best is None:
            return pairs
        pairs[best[1]] = best[2]


small = st.lists(st.tuples(st.integers(0, 12), st.integers(0, 12)), max_size=6)


@settings(max_examples=60, deadline=None)
@given(small, small)
def test_same_as_taking_the_closest_pair_again_and_again(
    points: list[tuple[int, int]], known: list[tuple[int, int]]
) -> None:
    truth = circles([(x, y, 5) for x, y in known])
    m = match(found(list(points)), truth)
    got = {i: int(k) for i, k in enumerate(m.truth_of) if k >= 0}
    assert got == slow(points, truth)
    assert m.hits_n + m.missed_n == len(known)
    assert m.hits_n + m.false_n == len(points)
