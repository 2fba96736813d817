"""Heat sums against the published curve."""

from datetime import date

import numpy as np
import pytest

from fruitcount.errors import BadInputError
from fruitcount.season import (
    gdh30,
    gdh_curve,
    gdh_linear,
    harvest_date,
    harvest_days,
    hours_from_days,
)


def test_anderson_curve():
    # Anderson, Richardson & Kesner 1986, parameters 4, 25, 36 C; values worked from the formula
    got = gdh_curve([3.9, 4, 10, 14.5, 20, 25, 30, 36, 36.1])
    want = [0, 0, 3.9534, 10.5, 18.197, 21, 7.2479, 0, 0]
    np.testing.assert_allclose(got, want, atol=0.001)


def test_linear_variant():
    # Anderson & Seeley 1992
    np.testing.assert_allclose(gdh_linear([3, 4, 14, 25, 30, 36, 37]), [0, 0, 10, 21, 21, 21, 0])


@pytest.mark.parametrize(
    ("temperature", "total"), [(12, 4798), (13, 5878), (14, 6995), (15, 8125), (16, 9242)]
)
def test_thirty_days(temperature, total):
    # worked from the same formula
    assert gdh30(np.full(720, temperature)) == pytest.approx(total, abs=1)


def test_missing_hours():
    hours = np.full(800, 14.0)
    hours[::20] = np.nan
    assert gdh30(hours) == pytest.approx(6995, abs=1)
    hours[:100] = np.nan
    assert np.isnan(gdh30(hours))
    with pytest.raises(BadInputError, match="720"):
        gdh30(np.full(700, 14.0))


def test_prune_harvest_days():
    # sacvalleyorchards.com: 6,000 -> 160 days; UC prune blog 2011: 28 March, 7,000-7,600
    # -> 29 August to 1 September (154-157 days); -3.5 days per 1,000
    assert harvest_days(6000, days_at_6000=160) == 160
    days = harvest_days(7300, days_at_6000=160)
    assert days == pytest.approx(155.5, abs=0.1)
    assert date(2011, 8, 29) <= harvest_date(date(2011, 3, 28), days) <= date(2011, 9, 1)


def test_prune_dates():
    # full bloom 18 March, 160 and 170 days
    assert harvest_date(date(2026, 3, 18), 160) == date(2026, 8, 25)
    assert harvest_date(date(2026, 3, 18), 170) == date(2026, 9, 4)


def test_hours_between_lowest_and_highest():
    hours = hours_from_days(np.full(30, 5.0), np.full(30, 25.0))
    assert len(hours) == 720
    assert (hours.min(), hours.max()) == (5, 25)
    assert hours[5 + 24] == 5
    assert hours[15 + 24] == 25
    # the bent curve: a 5-25 C day is not a constant 15 C
    assert abs(gdh30(hours) - 8125) > 100
