"""The series that never grows, against SciPy's isotonic regression."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import isotonic_regression

from fruitcount.load.model import never_growing


@pytest.mark.parametrize("n", [1, 2, 3, 17, 120])
def test_like_scipy(n: int) -> None:
    rng = np.random.default_rng(n)
    for _ in range(10):
        values = np.linspace(20, 8, n) + rng.normal(0, 3, n)
        expected = isotonic_regression(values, increasing=False).x
        np.testing.assert_allclose(never_growing(values), expected, rtol=1e-9)
