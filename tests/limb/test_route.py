"""Paths over drawn ridges: whole ones, and ones that go on weakly."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from fruitcount.limb.route import carried_on, cost_of, route_between, search_route
from fruitcount.limb.wood import Field

SHAPE = (192, 256)


def field_of(*pieces: tuple[tuple[int, int], tuple[int, int], float]) -> Field:
    ridge = np.zeros(SHAPE, np.float32)
    for start, end, strength in pieces:
        cv2.line(ridge, start, end, strength, 1)
    blurred = np.maximum(ridge, 0.6 * cv2.GaussianBlur(ridge, (0, 0), 1.0))
    none = np.zeros(SHAPE, bool)
    return Field(blurred, blurred, none, 1.0)


def gap_to_ends(cells: np.ndarray, ends: np.ndarray) -> float:
    there = np.linalg.norm(cells[[0, -1]] - ends, axis=1).max()
    back = np.linalg.norm(cells[[-1, 0]] - ends, axis=1).max()
    return float(min(there, back))


@pytest.mark.parametrize("turn_deg", range(0, 180, 20))
def test_a_thin_line_is_found_from_end_to_end(turn_deg: int) -> None:
    # One cell wide: the coarse first sweep must not lose it.
    way = 75 * np.array([np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))])
    start, end = (tuple(np.rint((128, 96) + k * way).astype(int)) for k in (-1, 1))
    route = search_route(field_of((start, end, 1.0)))
    assert route is not None
    assert gap_to_ends(route.cells, np.array([start, end])) < 4
    assert route.rival_frac == 0


def test_the_better_of_two_is_taken_and_the_other_told() -> None:
    route = search_route(field_of(((40, 30), (160, 40), 1.0), ((40, 150), (130, 160), 1.0)))
    assert route is not None
    assert gap_to_ends(route.cells, np.array([(40, 30), (160, 40)])) < 4
    assert 0.5 < route.rival_frac < 1


def test_two_sweeps_reach_what_the_path_between_the_ends_is_worth() -> None:
    field = field_of(((15, 180), (120, 100), 1.0), ((120, 100), (240, 20), 0.8))
    route = search_route(field)
    assert route is not None
    between = route_between(cost_of(field), np.array([15.0, 180.0]), np.array([240.0, 20.0]))
    assert route.merit >= between.merit - 1


@pytest.mark.parametrize("turn_deg", range(0, 360, 30))
def test_a_weak_stretch_straight_ahead_is_followed(turn_deg: int) -> None:
    way = np.array([np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))])
    places = [tuple(np.rint((128, 96) + k * way).astype(int)) for k in (-60, 10, 75)]
    field = field_of((places[0], places[1], 1.0), (places[1], places[2], 0.35))
    sure = route_between(cost_of(field), np.array(places[0]), np.array(places[1]))
    cells = carried_on(field, sure).cells
    assert np.linalg.norm(cells[-1] - places[2]) < 6
    assert np.linalg.norm(cells[0] - places[0]) < 6
