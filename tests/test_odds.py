"""Chances as log-odds: exact values, and back again."""

from __future__ import annotations

import numpy as np
import pytest

from fruitcount.odds import chance_of, log_odds


def test_known_values() -> None:
    # Arithmetic: odds of 1 to 1, 3 to 1, 1 to 9.
    wanted = [0.0, np.log(3), -np.log(9)]
    assert log_odds([0.5, 0.75, 0.1], 0.01) == pytest.approx(wanted)


def test_sure_chances_stay_finite_and_unknown_ones_unknown() -> None:
    odds = log_odds(np.array([0.0, 1.0, np.nan]), 0.01)
    assert odds[:2] == pytest.approx([-np.log(99), np.log(99)])
    assert np.isnan(odds[2])


def test_there_and_back() -> None:
    chance = np.linspace(0.01, 0.99, 50)
    assert chance_of(log_odds(chance, 1e-3)) == pytest.approx(chance)
    assert chance_of(np.array([-1e4, 1e4])) == pytest.approx([0.0, 1.0])
