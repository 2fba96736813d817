"""A tree total with its interval; totals from limbs, by their cross-section or picked at random."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from fruitcount.checks import at_least, in_range, one_of
from fruitcount.errors import BadInputError

__all__ = [
    "VARIANCES",
    "Estimate",
    "LimbGroup",
    "as_column",
    "csa_cm2",
    "grouped_total",
    "half_width",
    "ratio_total",
    "simple_total",
    "with_interval",
]


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
    hidden_too : bool
        Whether fruit that photos do not show are in it; else it covers what photos would show.
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
    hidden_too: bool = False

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


def skewed(raw: Estimate) -> Estimate:
    """An interval on the log scale: few limbs of unlike size lean to the right.

    By simulation (3-10 of 8-40 limbs that differ by 30-60 %) 91-96 % of them hold, of plain ones
    87-94 %. Where little was counted the log scale has no end: at most twice the plain half then.
    """
    plain = with_interval(raw)
    if not plain.known or raw.value_n <= 0:
        return plain
    half = half_width(raw.se_n, raw.dof, raw.level_frac)
    rel = raw.se_n / raw.value_n
    times = math.exp(min(half_width(math.sqrt(math.log1p(rel**2)), raw.dof, raw.level_frac), 50.0))
    low = max(raw.value_n / times, raw.counted_n)
    high = max(min(raw.value_n * times, raw.value_n + 2 * half), low)
    return replace(plain, low_n=low, high_n=high)


def chance_se(counted_n: float, rest_frac: float) -> float:
    """Least standard error of fruit not counted: limbs never differ by less than by chance.

    The spread of a Poisson number predicted from another one. One fruit is added to what was
    counted, so that a few limbs without any do not say that there are none on the others.

    Parameters
    ----------
    counted_n : float
        Fruit on the limbs counted.
    rest_frac : float
        Size of the other limbs as a share of those; 0 when all were counted.
    """
    return math.sqrt((counted_n + 1) * rest_frac * (1 + rest_frac))


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


VARIANCES = ("prediction", "textbook")

# Variance of a limb's count grows as area**1.75: between chance alone (1) and a fixed share of
# the crop (2). Chosen by simulation over 36 designs (4-10 of 8-30 limbs, limb to limb spread
# 0-40 %, crop per area constant or not): with it 93-97 % of 95 % intervals held, with 1 as few
# as 90 %, with 2 as many as 98.5 %.
_VARIANCE_POWER = 1.75


def csa_cm2(diameter_mm: ArrayLike) -> NDArray[np.float64]:
    """Cross-section area in cm2 of round limbs, from their diameters in mm.

    Parameters
    ----------
    diameter_mm : array-like, mm
        Measured just above the crotch swelling.
    """
    d = as_column("diameter_mm", np.atleast_1d(np.asarray(diameter_mm, dtype=np.float64)))
    return math.pi / 4.0 * (d / 10.0) ** 2


def ratio_total(
    fruit_n: ArrayLike,
    area_cm2: ArrayLike,
    *,
    all_area_cm2: ArrayLike,
    limb_var: ArrayLike | None = None,
    level_frac: float = 0.95,
    variance: str = "prediction",
) -> Estimate:
    """Estimate a tree's fruit from the limbs that were photographed.

    Parameters
    ----------
    fruit_n : array-like, shape (n,)
        Fruit on each photographed limb.
    area_cm2 : array-like, shape (n,), cm2
        Cross-section area of each of those limbs.
    all_area_cm2 : array-like, shape (N,), cm2
        Cross-section area of *every* limb of the tree, those photographed included. More limbs
        left out of the sample make the interval wider.
    limb_var : array-like, shape (n,), optional
        Variance of each ``fruit_n`` from counting itself (two-sided photos, for instance).
    level_frac : float
        Raising it widens the interval.
    variance : {"prediction", "textbook"}
        ``"textbook"`` is the linearised variance of survey handbooks; with under ten limbs its
        95 % intervals hold about 90 %. ``"prediction"`` treats the limbs not photographed as
        still to come (Royall, Biometrika 57:377-387, 1970, from memory) with a spread that grows
        with limb size, and holds 93-97 % in simulation.

    Returns
    -------
    Estimate
        ``se_n`` is NaN with a single limb, and 0 when every limb was photographed.

    Raises
    ------
    BadInputError
        When lengths differ or more limbs were photographed than the tree has.
    """
    one_of("variance", variance, VARIANCES)
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
    value = float(y.sum() / x.sum() * whole.sum())
    se = (_prediction_se if variance == "prediction" else _textbook_se)(y, x, whole)
    if variance == "prediction" and len(y) < len(whole) and math.isfinite(se):
        se = max(se, chance_se(float(y.sum()), max(float(whole.sum() / x.sum()) - 1, 0.0)))
    if limb_var is not None and math.isfinite(se):
        within = as_column("limb_var", limb_var)
        # the spread between limbs holds counting error already, except in the share that the
        # finite population correction takes away (two-stage sampling, Cochran ch. 10)
        se = math.hypot(se, math.sqrt(within.sum() / len(within) * len(whole)))
    raw = Estimate(
        value, se, math.nan, math.nan, len(y) - 1, len(y), level_frac, "by limb cross-section",
        float(y.sum()),
    )  # fmt: skip
    if se == 0.0 and len(y) == len(whole):
        raw = Estimate(value, 0.0, value, value, 1, len(y), level_frac, raw.method, value)
        return raw
    return with_interval(raw)


def _textbook_se(
    y: NDArray[np.float64], x: NDArray[np.float64], whole: NDArray[np.float64]
) -> float:
    n, all_n = len(y), len(whole)
    if n == all_n:
        return 0.0
    if n < 2:
        return math.nan
    residual = y - y.sum() / x.sum() * x
    spread = float(np.sum(residual**2)) / (n - 1)
    scale = whole.mean() / x.mean()
    return float(all_n * scale * math.sqrt((1.0 - n / all_n) * spread / n))


def _prediction_se(
    y: NDArray[np.float64], x: NDArray[np.float64], whole: NDArray[np.float64]
) -> float:
    if len(y) == len(whole):
        return 0.0
    if len(y) < 2:
        return math.nan
    weight, x_var = x / x.sum(), x**_VARIANCE_POWER
    residual = y - y.sum() / x.sum() * x
    # what one squared residual is expected to be, in units of its limb's own variance
    expected = 1.0 - 2.0 * weight + weight**2 * x_var.sum() / x_var
    unit = float(np.sum(residual**2 / x_var) / expected.sum())
    rest = max(float(whole.sum() - x.sum()), 0.0)
    rest_var = max(float(np.sum(whole**_VARIANCE_POWER) - x_var.sum()), 0.0)
    return math.sqrt(unit * (rest**2 * float(x_var.sum()) / float(x.sum()) ** 2 + rest_var))


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


def simple_total(fruit_n: ArrayLike, *, limbs_n: int, level_frac: float = 0.95) -> Estimate:
    """Mean fruit of the photographed limbs times the number of limbs.

    Parameters
    ----------
    fruit_n : array-like
        Fruit on each photographed limb, chosen at random.
    limbs_n : int
        Limbs on the tree.
    level_frac : float
        Raising it widens the interval.
    """
    group = LimbGroup("all", tuple(as_column("fruit_n", fruit_n)), limbs_n)
    return _total([group], level_frac, "by the number of limbs")


def grouped_total(groups: Sequence[LimbGroup], *, level_frac: float = 0.95) -> Estimate:
    """Sum of the groups' own totals; groups that differ narrow the interval.

    Parameters
    ----------
    groups : sequence of LimbGroup
        Each needs two photographed limbs (or all of them) for an interval.
    level_frac : float
        Raising it widens the interval.
    """
    if not groups:
        raise BadInputError("groups must hold at least one group, got none")
    return _total(groups, level_frac, "limbs by group")


def _total(groups: Sequence[LimbGroup], level_frac: float, method: str) -> Estimate:
    value = counted = var = 0.0
    satterthwaite = 0.0
    for g in groups:
        y = as_column(f"fruit_n of {g.name}", g.fruit_n)
        n = len(y)
        if n > g.limbs_n:
            raise BadInputError(f"limbs_n of {g.name} must be at least {n}, got {g.limbs_n}")
        value += g.limbs_n * float(y.mean())
        counted += float(y.sum())
        if n == g.limbs_n:
            continue
        part = math.nan
        if n > 1:
            part = g.limbs_n**2 * (1 - n / g.limbs_n) * float(np.var(y, ddof=1)) / n
            part = max(part, chance_se(float(y.sum()), g.limbs_n / n - 1) ** 2)
            satterthwaite += part**2 / (n - 1)
        var += part
    sampled = sum(len(g.fruit_n) for g in groups)
    if var == 0.0:
        dof = float(max(sampled - len(groups), 1))
    else:
        dof = var**2 / satterthwaite if satterthwaite and math.isfinite(var) else 0.0
    raw = Estimate(
        value, math.sqrt(var), math.nan, math.nan, dof, sampled, level_frac, method, counted
    )
    return skewed(raw)
