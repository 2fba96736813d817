"""Heat after bloom: growing degree hours, and what they say of harvest.

Anderson, Richardson & Kesner, Acta Horticulturae 184:71-78, 1986 (asymmetric curve: base 4,
best 25, critical 36 degrees C, stress factor 1); linear variant Anderson & Seeley 1992. UC Davis
states that its 30-day sums use the 1986 curve (fruitsandnuts.ucdavis.edu/node/6436).
"""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fruitcount.checks import finite, positive
from fruitcount.errors import BadInputError

__all__ = [
    "WARM_GDH30",
    "gdh30",
    "gdh_curve",
    "gdh_linear",
    "harvest_date",
    "harvest_days",
    "hours_from_days",
]

_BASE_C, _BEST_C, _CRITICAL_C = 4.0, 25.0, 36.0
# UC Davis; Lopez & DeJong, Acta Hort. 803: above it development is faster, harvest earlier and
# fruit smaller, so thin earlier
WARM_GDH30 = 6000.0
# third-party page citing Ben Mimoun & DeJong 1999, peach: days from bloom to harvest
_DAYS_PER_1000_GDH = -3.5
_HOURS = 24 * 30


def gdh_curve(temperature_c: ArrayLike) -> NDArray[np.float64]:
    """Growing degree hours of one hour at each temperature, 0 to 21.

    Parameters
    ----------
    temperature_c : array-like, degrees C
        NaN stays NaN.
    """
    t = np.asarray(temperature_c, dtype=np.float64)
    span = _BEST_C - _BASE_C
    rise = span / 2 * (1 + np.cos(math.pi + math.pi * (t - _BASE_C) / span))
    half_pi = math.pi / 2
    fall = span * (1 + np.cos(half_pi + half_pi * (t - _BEST_C) / (_CRITICAL_C - _BEST_C)))
    out = np.where(t <= _BEST_C, rise, fall)
    out = np.where((t < _BASE_C) | (t > _CRITICAL_C), 0.0, out)
    return np.where(np.isnan(t), np.nan, out)


def gdh_linear(temperature_c: ArrayLike) -> NDArray[np.float64]:
    """The linear variant: degrees over 4 up to 25, level to 36, then none."""
    t = np.asarray(temperature_c, dtype=np.float64)
    out = np.clip(t - _BASE_C, 0.0, _BEST_C - _BASE_C)
    out = np.where(t > _CRITICAL_C, 0.0, out)
    return np.where(np.isnan(t), np.nan, out)


def gdh30(temperature_c: ArrayLike) -> float:
    """Sum of the first 30 days after full bloom from 720 hourly temperatures.

    Parameters
    ----------
    temperature_c : array-like, shape (at least 720,), degrees C
        From the hour of full bloom on; later hours are not used.

    Returns
    -------
    float
        NaN when over a tenth of the hours are missing; up to that, the mean hour fills them.
    """
    hours = np.asarray(temperature_c, dtype=np.float64)
    if hours.ndim != 1 or len(hours) < _HOURS:
        raise BadInputError(f"temperature_c must hold at least {_HOURS} hours, got {hours.size}")
    heat = gdh_curve(hours[:_HOURS])
    known = heat[~np.isnan(heat)]
    return float(known.mean() * _HOURS) if len(known) >= 0.9 * _HOURS else math.nan


def hours_from_days(low_c: ArrayLike, high_c: ArrayLike) -> NDArray[np.float64]:
    """Hourly temperatures from each day's lowest (at 5 h) and highest (at 15 h).

    Half cosines between them; the two hours are common practice, no source. The heat curve is
    bent, so that daily means would not do.

    Parameters
    ----------
    low_c, high_c : array-like, shape (days,), degrees C
    """
    low = np.asarray(low_c, dtype=np.float64)
    high = np.asarray(high_c, dtype=np.float64)
    if low.shape != high.shape or low.ndim != 1 or not len(low) or np.any(low > high):
        raise BadInputError("low_c and high_c must be lists of one length, low never over high")
    n = len(low)
    at = np.concatenate([np.arange(n) * 24.0 + 5, np.arange(n) * 24.0 + 15])
    value = np.concatenate([low, high])
    order = np.argsort(at)
    at, value = at[order], value[order]
    hours = np.arange(n * 24.0)
    i = np.clip(np.searchsorted(at, hours, side="right") - 1, 0, len(at) - 2)
    part = np.clip((hours - at[i]) / (at[i + 1] - at[i]), 0.0, 1.0)
    out: NDArray[np.float64] = (
        value[i] + (value[i + 1] - value[i]) * (1 - np.cos(math.pi * part)) / 2
    )
    return out


def harvest_days(gdh30_sum: float, *, days_at_6000: float) -> float:
    """Days from full bloom to harvest for a 30-day sum.

    Parameters
    ----------
    gdh30_sum : float
        A warmer first month makes them fewer: 3.5 days for every 1,000.
    days_at_6000 : float
        The variety's days at a sum of 6,000, from the keeper's own years (prune: about 160,
        sacvalleyorchards.com).
    """
    extra = (finite("gdh30_sum", gdh30_sum) - WARM_GDH30) / 1000.0
    return positive("days_at_6000", days_at_6000) + _DAYS_PER_1000_GDH * extra


def harvest_date(bloom: date, days: float) -> date:
    """Date that many days after bloom, rounded to the day."""
    return bloom + timedelta(days=round(days))
