"""Limb lines against known ones: straight lines whose agreement is plain arithmetic."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fruitcount.evaluate.known import Truth, truth_from_columns
from fruitcount.evaluate.limb_scores import (
    LineVerdicts,
    calibration,
    limb_errors,
    line_agreement,
    line_verdicts,
    position_errors,
    range_coverage,
    thickness_coverage,
)
from fruitcount.evaluate.scores import judge
from fruitcount.flags import Flag
from fruitcount.types import Fruitlets, Limb, Measurement, Scale


def known(line: list[list[float]], **more: float) -> Truth:
    fruit = {"x_px": [500.0], "y_px": [100.0], "r_px": [9.0], "along_mm": [400.0]}
    return truth_from_columns(
        "limb.jpg", (1000, 200), columns=fruit, limb_line_px=np.array(line, float), **more
    )


def measurement(line: list[list[float]], length_mm: float = math.nan) -> Measurement:
    limb = Limb(
        line_px=np.array(line, float).reshape(-1, 2), length_mm=length_mm, base_diameter_mm=22.0
    )
    return Measurement("limb.jpg", "", 1000, 200, None, Scale(), Fruitlets.empty(), limb)


def test_half_of_a_line_found_and_two_thirds_of_what_was_found_right() -> None:
    truth = known([[100, 100], [900, 100]])
    # from 500 on along the limb for 400 px, then 200 px away from it at a right angle
    told = line_agreement([measurement([[500, 100], [900, 100], [900, 300]])], [truth])
    assert told.n == 1
    assert told.found_frac == pytest.approx(0.5, abs=0.03)  # 20 px count as near: 420 of 800
    assert told.right_frac == pytest.approx(2 / 3, abs=0.04)


def test_only_what_the_photo_shows_of_a_limb_is_asked_for() -> None:
    truth = known([[-1000, 100], [1999, 100]], limb_length_mm=3000.0, base_diameter_mm=20.0)
    half = measurement([[0, 100], [999, 100]], 1000.0)
    told = line_agreement([half], [truth])
    assert told.found_frac == told.right_frac == 1.0
    errors = limb_errors([half], [truth])
    assert errors["length"].n == errors["base_diameter"].n == 0
    base = known([[10, 100], [1999, 100]], limb_length_mm=2000.0, base_diameter_mm=20.0)
    errors = limb_errors([half], [base])
    assert errors["length"].n == 0
    assert errors["base_diameter"].median_signed_frac == pytest.approx(0.1)


def test_no_limb_found_is_nothing_found_and_no_truth_is_nothing_asked() -> None:
    told = line_agreement([measurement([])], [known([[100, 100], [900, 100]])])
    assert (told.n, told.found_frac) == (1, 0.0)
    assert math.isnan(told.right_frac)
    for other in ([], [[2000, 100], [3000, 100]], [[5, 5], [5, 5]]):
        told = line_agreement([measurement([[0, 0], [9, 9]])], [known(other or np.zeros((0, 2)))])
        assert told.n == 0
        assert math.isnan(told.found_frac)
    assert line_agreement([None], [known([[100, 100], [900, 100]])]).n == 0


@pytest.mark.parametrize(("base_x", "compared_n"), [(100.0, 1), (-300.0, 0)])
def test_places_are_compared_where_the_base_is_shown(base_x: float, compared_n: int) -> None:
    truth = known([[base_x, 100], [900, 100]], limb_length_mm=800.0)
    found = Fruitlets.from_columns(
        x_px=[500.0], y_px=[100.0], r_px=[9.0], score=[0.9], along_mm=[440.0]
    )
    errors = position_errors([judge(truth, found)])
    assert errors.n == compared_n
    if compared_n:
        assert errors.median_signed_frac == pytest.approx(0.05)


def test_wrong_lines_warnings_and_turned_ends_are_counted() -> None:
    truth = known([[100, 100], [900, 100]])
    right = measurement([[100, 100], [900, 100]])
    turned = measurement([[900, 100], [100, 100]])
    wrong = measurement([[100, 180], [900, 180]])
    warned = replace(wrong, flags=Flag.LIMB_UNSURE)
    none = measurement([])
    told = line_verdicts([right, turned, wrong, warned, none], [truth] * 5)
    assert told == LineVerdicts(5, 2, 2, 1, 0, 1, 1)


def test_reliability_and_coverage_are_shares_of_what_was_told() -> None:
    """By hand: of two lines told 0.9 sure one is right; one fruit lies in 1-3, not in 2-3."""
    truth = known([[100, 100], [900, 100]])
    lines = [measurement([[100, y], [900, y]]) for y in (100, 180)]
    sure = [replace(m, limb=replace(m.limb, right_chance=0.9)) for m in lines]
    assert calibration(sure, [truth] * 2) == [(pytest.approx(0.9), 2, 0.5)]
    ranged = [replace(m, count_range_n=r) for m, r in zip(lines, ((1, 3), (2, 3)), strict=True)]
    assert range_coverage([*ranged, lines[0]], [truth] * 3) == (1, 2)


def test_the_range_of_the_thickness_holds_the_known_one_or_not() -> None:
    """22 mm within 10 % is 18.7 to 25.9 mm: 1.645 standard deviations of the logarithm."""
    told = measurement([[0, 100], [900, 100]])
    told = replace(told, limb=replace(told.limb, diameter_rel_sd_frac=0.10))
    unknown = measurement([[0, 100], [900, 100]])
    truths = [known([[0, 100], [900, 100]], base_diameter_mm=mm) for mm in (25.5, 26.5, 22.0)]
    assert told.limb.base_range_mm == pytest.approx((18.66, 25.93), abs=0.01)
    assert thickness_coverage([told, told, unknown], truths) == (1, 2)
