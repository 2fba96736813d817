"""Each mark against the weighted median of the others, beside the definition row by row."""

from __future__ import annotations

import numpy as np
import pytest

from fruitcount.detect.circles import FEWEST, leave_one_out_residual


def weighted_median(values: np.ndarray, weight: np.ndarray) -> float:
    order = np.argsort(values, kind="stable")
    sums = np.cumsum(weight[order])
    return float(values[order][np.argmax(sums >= sums[-1] / 2)])


@pytest.mark.parametrize("n", [FEWEST, 5, 12, 60])
@pytest.mark.parametrize("equal", [True, False])
def test_like_its_definition(n: int, equal: bool) -> None:
    rng = np.random.default_rng(n)
    values = rng.normal(size=(n, 3))
    weight = np.ones(n) if equal else rng.random(n) + 0.01
    apart = leave_one_out_residual(values, weight)
    for i in range(n):
        others = np.delete(values, i, 0), np.delete(weight, i)
        for k in range(3):
            usual = weighted_median(others[0][:, k], others[1])
            assert apart[i, k] == values[i, k] - usual


def test_too_few_are_not_compared() -> None:
    assert not leave_one_out_residual(np.arange(6.0).reshape(3, 2), np.ones(3)).any()
