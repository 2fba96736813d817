"""A tree total with its interval, and the arithmetic that every estimator shares."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from fruitcount.checks import at_least, in_range
from fruitcount.errors import BadInputError

__all__ = ["Estimate", "as_column", "half_width", "with_interval"]


@dataclass(frozen=True)
class Estimate:
    """An estimated number of fruit, how sure it is, and how it was reached.

    Attributes
    ----------
    value_n : float
        The estimate.
    se_n : float
        Its standard error; NaN when it could not be told (one limb or one path only).
    low_n, high_n : float
        Interval at ``level_frac``; NaN when ``se_n`` is NaN. ``low_n`` is never under the
        fruit already counted, because those are known to hang there.
    dof : float
        Degrees of freedom behind ``se_n``.
    sampled_n : int
        Limbs, or paths, that were measured.
    level_frac : float
        Share of such intervals that hold the true number, by design.
    method : str
        Plain name of the estimator.
    counted_n : float
        Fruit actually counted; the floor of the interval.
    """

    value_n: float
    se_n: float
    low_n: float
    high_n: float
    dof: float
    sampled_n: int
    level_frac: float
    method: str
    counted_n: float = 0.0

    @property
    def known(self) -> bool:
        """Whether an interval could be told."""
        return math.isfinite(self.low_n) and math.isfinite(self.high_n)

    @property
    def rel_half_width_frac(self) -> float:
        """Half the interval's width as a share of the value; NaN when not told or value is 0."""
        return (self.high_n - self.low_n) / 2 / self.value_n if self.value_n else math.nan


def as_column(name: str, values: ArrayLike, *, least: float = 0.0) -> NDArray[np.float64]:
    """A 1-d float array, or raise.

    Parameters
    ----------
    name : str
        Used in the message.
    values : array-like
        Must be finite, 1-d, not empty.
    least : float
        Smallest value allowed.

    Raises
    ------
    BadInputError
        When a rule is broken.
    """
    out = np.asarray(values, dtype=np.float64)
    if out.ndim != 1 or out.size == 0:
        raise BadInputError(f"{name} must be a list of at least one number, got {values!r}")
    if not np.all(np.isfinite(out)) or float(out.min()) < least:
        raise BadInputError(f"{name} must be finite and at least {least:g}, got {values!r}")
    return out


def half_width(se_n: float, dof: float, level_frac: float) -> float:
    """Student's t half width; NaN when there are no degrees of freedom."""
    if not (math.isfinite(se_n) and dof > 0):
        return math.nan
    return float(stats.t.ppf(0.5 + level_frac / 2, dof)) * se_n


def with_interval(raw: Estimate, *, floor_n: float | None = None) -> Estimate:
    """Fill in ``low_n`` and ``high_n`` from the standard error.

    Parameters
    ----------
    raw : Estimate
        Its ``se_n``, ``dof``, ``level_frac`` and ``counted_n`` are used.
    floor_n : float, optional
        Lowest value that is possible; default ``counted_n``.
    """
    in_range("level_frac", raw.level_frac, 0.5, 0.999)
    at_least("counted_n", raw.counted_n, 0.0)
    floor = raw.counted_n if floor_n is None else floor_n
    half = half_width(raw.se_n, raw.dof, raw.level_frac)
    low = max(raw.value_n - half, floor) if math.isfinite(half) else math.nan
    return replace(raw, low_n=low, high_n=max(raw.value_n + half, low))
