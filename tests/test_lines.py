"""Nearest places on a line, against the same found by trying many."""

from __future__ import annotations

import numpy as np
import pytest

from fruitcount.lines import along_line, nearest_on_line, point_on_line


def test_a_corner_worked_out_by_hand() -> None:
    line = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]])
    x, y = np.array([4.0, 13.0, -3.0, 12.0]), np.array([2.0, 5.0, 4.0, -1.0])
    along, offset = nearest_on_line(line, x, y)
    assert along == pytest.approx([4, 15, 0, 10])
    assert offset == pytest.approx([2, 3, 5, np.sqrt(5)])


def test_like_trying_many_places() -> None:
    rng = np.random.default_rng(1)
    line = rng.normal(0, 50, (9, 2))
    x, y = rng.normal(0, 60, (2, 40))
    tried = point_on_line(line, np.linspace(0, along_line(line)[-1], 20_001))
    far = np.hypot(x[:, None] - tried[:, 0], y[:, None] - tried[:, 1]).min(axis=1)
    assert nearest_on_line(line, x, y)[1] == pytest.approx(far, abs=0.02)


def test_unknown_places_and_lines_without_length() -> None:
    line = np.array([[0.0, 0.0], [0.0, 0.0], [8.0, 0.0]])
    along, offset = nearest_on_line(line, np.array([np.nan, 3.0]), np.array([1.0, 1.0]))
    assert offset.tolist() == [np.inf, 1.0]
    assert along.tolist() == [0.0, 3.0]
    assert np.isinf(nearest_on_line(line[:2], np.zeros(1), np.zeros(1))[1]).all()
    assert len(nearest_on_line(line, np.zeros(0), np.zeros(0))[0]) == 0
