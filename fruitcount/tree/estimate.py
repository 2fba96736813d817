"""A tree's total with its interval from some of its limbs: by their wood, their number, or groups.

What sampling and a factor make together is worked out from their two intervals (Zou & Donner,
Statistics in Medicine 27:1693-1702, 2008, from memory): distances from estimate to end are added
as squares, on the log scale. Nothing has to be symmetric for that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from fruitcount.errors import BadInputError
from fruitcount.types import FloatArray

FEW_COUNTED = 30
"""Under so many fruit counted in all, 96 to 99 % of 95 % intervals hold (our simulation)."""


@dataclass(frozen=True)
class Estimate:
    """An estimated number of fruit, how sure it is, and how it was reached.

    Attributes
    ----------
    value_n : float
        The estimate.
    se_n : float
        Its standard error between limbs or walks, without what counting itself may be off; 0 when
        every limb was photographed, NaN from one limb or walk only.
    low_n, high_n : float
        Interval that holds the true number 95 times in 100, by design; NaN when it could not be
        told. ``low_n`` is never under the fruit already counted: those are known to hang there.
    sampled_n : int
        Limbs, or walks, that were measured.
    method : str
        Plain name of the estimator.
    counted_n : float
        Fruit actually counted.
    hidden_too : bool
        Whether fruit that photos do not show are in it; else it covers what photos would show.
    all_limbs : bool
        Whether every limb was photographed.
    """

    value_n: float
    se_n: float
    low_n: float
    high_n: float
    sampled_n: int
    method: str
    counted_n: float = 0.0
    hidden_too: bool = False
    all_limbs: bool = False

    @property
    def known(self) -> bool:
        """Whether an interval could be told."""
        return math.isfinite(self.low_n) and math.isfinite(self.high_n)

    @property
    def as_seen(self) -> bool:
        """Whether it is no more than what photos of every limb show."""
        return self.all_limbs and not self.hidden_too


def as_column(name: str, values: ArrayLike, *, least: float = 0.0) -> FloatArray:
    """A 1-d float array, or raise.

    Shape (N,).

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


def csa_cm2(diameter_mm: ArrayLike) -> FloatArray:
    """Cross-section area in cm2 of round limbs, from their diameters in mm.

    Any shape, which the result has too.

    Parameters
    ----------
    diameter_mm : array-like, mm
        Measured just above the crotch swelling.
    """
    d = as_column("diameter_mm", np.atleast_1d(np.asarray(diameter_mm, dtype=np.float64)))
    return math.pi / 4.0 * (d / 10.0) ** 2


def t_times(dof: float) -> float:
    """Student's t of a 95 % interval; NaN when there are no degrees of freedom."""
    return float(stats.t.ppf(0.975, dof)) if dof > 0 else math.nan


def product_interval(
    one: tuple[float, float, float],
    other: tuple[float, float, float],
    *,
    dof: tuple[float, float] | None = None,
) -> tuple[float, float]:
    """Both ends of the interval of a product of two independent estimates.

    Each is (value, low, high), all over 0. With their degrees of freedom given, one that rests on
    few limbs does not widen the whole as if both did (Satterthwaite 1946, from memory).
    """
    ends = []
    for end in (1, 2):
        half = [abs(math.log(part[end] / part[0])) for part in (one, other)]
        width = math.hypot(*half)
        if dof is not None and width:
            sd = [h / t_times(each) for h, each in zip(half, dof, strict=True)]
            shrink = sum(s**4 / n for s, n in zip(sd, dof, strict=True))
            both = math.hypot(*sd) ** 4 / shrink if shrink else math.inf
            width = t_times(both) * math.hypot(*sd)
        ends.append(math.exp(width))
    value = one[0] * other[0]
    return value / ends[0], value * ends[1]


# Variance of a limb's count grows as area**1.75: between chance alone (1) and a fixed share of
# the crop (2). Chosen by simulation over 36 designs (4-10 of 8-30 limbs, limb to limb spread
# 0-40 %, crop per area constant or not).
_VARIANCE_POWER = 1.75
# Limbs of unlike size whose thickness is not given lean to the right more than t allows for: by
# simulation (fruitcount.evaluate.tree_intervals) 92-94 % hold without this, 93-95 % with it.
_WIDER_BY_NUMBER = 1.08


@dataclass(frozen=True)
class LimbGroup:
    """Limbs alike (top and bottom, sunny and shaded), some of which were photographed.

    Attributes
    ----------
    name : str
    fruit_n : tuple of float
        Fruit on each photographed limb of the group.
    limbs_n : int
        Limbs in the group, photographed or not.
    """

    name: str
    fruit_n: tuple[float, ...]
    limbs_n: int


def ratio_total(fruit_n: ArrayLike, area_cm2: ArrayLike, *, all_area_cm2: ArrayLike) -> Estimate:
    """Estimate a tree's fruit from the limbs that were photographed.

    The limbs not photographed are treated as still to come (Royall, Biometrika 57:377-387, 1970,
    from memory), with a spread that grows with limb size. The interval lies on the log scale: few
    limbs of unlike size lean to the right. It is never narrower than chance alone makes it
    between limbs that bear alike (negative binomial for a count to come after another one).

    Parameters
    ----------
    fruit_n : array-like, shape (n,)
        Fruit on each photographed limb.
    area_cm2 : array-like, shape (n,), cm2
        Cross-section area of each of those limbs.
    all_area_cm2 : array-like, shape (N,), cm2
        Cross-section area of *every* limb of the tree, those photographed included. More limbs
        left out of the sample make the interval wider.

    Returns
    -------
    Estimate
        Without an interval for a single limb of several.

    Raises
    ------
    BadInputError
        When lengths differ or more limbs were photographed than the tree has.
    """
    y = as_column("fruit_n", fruit_n)
    x = as_column("area_cm2", area_cm2, least=1e-9)
    whole = as_column("all_area_cm2", all_area_cm2, least=1e-9)
    if len(x) != len(y):
        raise BadInputError(f"area_cm2 must have {len(y)} values like fruit_n, got {len(x)}")
    if len(y) > len(whole) or x.sum() > whole.sum() * (1 + 1e-9):
        raise BadInputError(
            f"all_area_cm2 must include the limbs sampled: {len(whole)} limbs of "
            f"{whole.sum():.2f} cm2, got a sample of {len(y)} limbs of {x.sum():.2f} cm2"
        )
    counted, n = float(y.sum()), len(y)
    value = counted if n == len(whole) else counted / float(x.sum()) * float(whole.sum())
    se = 0.0 if n == len(whole) else _prediction_se(y, x, whole) if n > 1 else math.nan
    raw = Estimate(value, se, math.nan, math.nan, n, "by limb cross-section", counted)
    return _with_ends(raw, n - 1, float(whole.sum() / x.sum()) - 1)


# An interval of over ten times each way tells nothing that a grower could use: our choice, after
# two walks gave 14 to 20,463,331,909 and two limbs 27 to 1,755.
WIDEST_TIMES = 10.0


def _with_ends(raw: Estimate, dof: float, rest_frac: float, *, wider: float = 1.0) -> Estimate:
    """Fill in the interval; ``rest_frac`` is the size of the limbs not seen, by those seen."""
    value, counted, se = raw.value_n, raw.counted_n, raw.se_n
    if se == 0 and rest_frac <= 0:
        return replace(raw, low_n=value, high_n=value, all_limbs=True)
    if not (math.isfinite(se) and dof > 0):
        return raw
    t = t_times(dof) * wider
    rel = se / value if value else 0.0
    times = math.exp(min(t * math.sqrt(math.log1p(rel**2)), 50.0))
    if dof < 2 and times > WIDEST_TIMES:
        return raw
    by_chance = stats.nbinom.ppf((0.025, 0.975), counted + 1, 1 / (1 + max(rest_frac, 1e-9)))
    low = max(min(value / times, counted + float(by_chance[0])), counted)
    # where little was counted the log scale has no end: at most twice the plain half then
    high = max(min(value * times, value + 2 * t * se), counted + float(by_chance[1]))
    return replace(raw, low_n=low, high_n=high)


def _prediction_se(y: FloatArray, x: FloatArray, whole: FloatArray) -> float:
    weight, x_var = x / x.sum(), x**_VARIANCE_POWER
    residual = y - y.sum() / x.sum() * x
    # what one squared residual is expected to be, in units of its limb's own variance
    expected = 1.0 - 2.0 * weight + weight**2 * x_var.sum() / x_var
    unit = float(np.sum(residual**2 / x_var) / expected.sum())
    rest = max(float(whole.sum() - x.sum()), 0.0)
    rest_var = max(float(np.sum(whole**_VARIANCE_POWER) - x_var.sum()), 0.0)
    return math.sqrt(unit * (rest**2 * float(x_var.sum()) / float(x.sum()) ** 2 + rest_var))


def simple_total(fruit_n: ArrayLike, *, limbs_n: int) -> Estimate:
    """Mean fruit of the photographed limbs, chosen at random, times the number of limbs.

    Parameters
    ----------
    fruit_n : array-like
        Fruit on each photographed limb.
    limbs_n : int
        Limbs on the tree.
    """
    group = LimbGroup("all", tuple(as_column("fruit_n", fruit_n)), limbs_n)
    return _total([group], "by the number of limbs")


def grouped_total(groups: Sequence[LimbGroup]) -> Estimate:
    """Sum of the groups' own totals; groups that differ narrow the interval.

    Parameters
    ----------
    groups : sequence of LimbGroup
        Each needs two photographed limbs (or all of them) for an interval.
    """
    if not groups:
        raise BadInputError("groups must hold at least one group, got none")
    return _total(groups, "limbs by group")


def _total(groups: Sequence[LimbGroup], method: str) -> Estimate:
    parts = []
    for g in groups:
        n = len(g.fruit_n)
        if n > g.limbs_n:
            raise BadInputError(f"limbs_n of {g.name} must be at least {n}, got {g.limbs_n}")
        parts.append(ratio_total(g.fruit_n, np.ones(n), all_area_cm2=np.ones(g.limbs_n)))
    var = [p.se_n**2 for p in parts]
    parts_dof = [(v**2, p.sampled_n - 1) for v, p in zip(var, parts, strict=True) if v > 0]
    shrink = sum(square / dof for square, dof in parts_dof)  # Satterthwaite 1946, from memory
    sampled = sum(p.sampled_n for p in parts)
    raw = Estimate(
        sum(p.value_n for p in parts), math.sqrt(sum(var)), math.nan, math.nan, sampled, method,
        sum(p.counted_n for p in parts)
    )  # fmt: skip
    rest = sum(g.limbs_n for g in groups) / sampled - 1
    dof = sum(var) ** 2 / shrink if shrink else float(max(sampled - len(groups), 1))
    # limbs of a group are alike; of several limbs without one that cannot be known
    return _with_ends(raw, dof, rest, wider=_WIDER_BY_NUMBER if len(groups) == 1 else 1.0)
