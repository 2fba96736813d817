"""The tree's sheet: what to keep and take off on every limb, and the work that it takes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import partial

import numpy as np

from fruitcount.errors import BadInputError, at_least, positive
from fruitcount.tree.estimate import Estimate
from fruitcount.tree.target import TreeTarget, share_by_area
from fruitcount.types import FloatArray


@dataclass(frozen=True)
class Work:
    """What thinning a limb, tree or block comes to.

    Attributes
    ----------
    off_n : float
        Fruit to take off.
    minutes : float
        NaN when the user's own pace is not given.
    final_n : float
        Fruit at harvest, after the second pass.
    harvest_kg : float
        What those weigh; NaN when the weight of one fruit is not given.
    """

    off_n: float
    minutes: float
    final_n: float
    harvest_kg: float


NOT_KNOWN = Work(math.nan, math.nan, math.nan, math.nan)


def thinning_work(
    have_n: float,
    keep_n: float,
    *,
    final_n: float | None = None,
    pace_n_per_min: float | None = None,
    fruit_g: float | None = None,
) -> Work:
    """Fruit off, minutes and harvest.

    Parameters
    ----------
    have_n, keep_n : float
        Fruit there are and fruit to keep.
    final_n : float, optional
        Fruit at harvest; default those kept now.
    pace_n_per_min : float, optional
        The user's own pace, fruit off a minute. Faster, fewer minutes.
    fruit_g : float, optional, g
        Expected weight of one ripe fruit.
    """
    at_least("have_n", have_n, 0)
    at_least("keep_n", keep_n, 0)
    off = max(have_n - keep_n, 0.0)
    final = min(keep_n if final_n is None else final_n, keep_n, have_n)
    minutes, kg = math.nan, math.nan
    if pace_n_per_min is not None:
        minutes = off / positive("pace_n_per_min", pace_n_per_min)
    if fruit_g is not None:
        kg = final * positive("fruit_g", fruit_g) / 1000
    return Work(off, minutes, final, kg)


COMMON_PRACTICE = (
    "1,500 to 2,500 fruit on one small tree cannot ripen well (common practice, no source).",
    "Thinning is for the tree's health too, not only for fruit size (common practice, no source).",
)
_TOO_MANY_N = 1500


@dataclass(frozen=True)
class LimbFacts:
    """One limb of the tree.

    Attributes
    ----------
    name : str
    area_cm2 : float
        Cross-section area at its base.
    have_n : float
        Fruit on it, hidden ones included; NaN when it was not photographed.
    """

    name: str
    area_cm2: float
    have_n: float = math.nan


@dataclass(frozen=True)
class LimbShare:
    """One line of the sheet.

    Attributes
    ----------
    name : str
    area_cm2 : float
    have_n : float
        As counted, or as estimated from the other limbs when ``counted`` is False.
    counted : bool
    keep_n : int
        Stays now; on a limb nobody has seen, count before you cut.
    final_n : int
        Left at harvest, after the second pass.
    work : Work
        NaN on a limb nobody has seen.
    whole_n : int
        ``have_n`` in whole fruit, so that the limbs add up to the tree.
    own_words : str
        Where the limb by itself would keep another number: that number, and why.
    """

    name: str
    area_cm2: float
    have_n: float
    counted: bool
    keep_n: int
    final_n: int
    work: Work
    whole_n: int
    own_words: str = ""

    @property
    def keep_words(self) -> str:
        """The number to keep, and beside it the limb's own where that is another."""
        return f"{self.keep_n} here ({self.own_words})" if self.own_words else str(self.keep_n)


@dataclass(frozen=True)
class TreeSheet:
    """All lines and their sum.

    Attributes
    ----------
    limbs : tuple of LimbShare
    total : Estimate
    target : TreeTarget
    keep_n : int
    work : Work
        Of the limbs photographed: of the others nothing is known.
    notes : tuple of str
        Facts of common practice that apply, said to be that.
    whole_work : Work
        Likely for the whole tree, from ``total``: to plan the hours.
    """

    limbs: tuple[LimbShare, ...]
    total: Estimate
    target: TreeTarget
    keep_n: int
    work: Work
    notes: tuple[str, ...]
    whole_work: Work

    @property
    def counted(self) -> tuple[LimbShare, ...]:
        """The limbs that were photographed."""
        return tuple(x for x in self.limbs if x.counted)


def common_practice_notes(total_n: float) -> tuple[str, ...]:
    """Notes that fit a tree with that many fruit, each said to be common practice."""
    return COMMON_PRACTICE if total_n >= _TOO_MANY_N else COMMON_PRACTICE[1:]


def tree_sheet(
    limbs: Sequence[LimbFacts],
    total: Estimate,
    *,
    target: TreeTarget,
    pace_n_per_min: float | None = None,
    fruit_g: float | None = None,
) -> TreeSheet:
    """Share the target over the limbs and work out what it takes.

    Parameters
    ----------
    limbs : sequence of LimbFacts
        Every limb of the tree.
    total : Estimate
        Fruit on the tree. What it has beyond the counted limbs is spread over the others by
        cross-section area.
    target : TreeTarget
        Its middle is shared out.
    pace_n_per_min, fruit_g : float, optional
        See :func:`fruitcount.tree.sheet.thinning_work`.
    """
    if not limbs:
        raise BadInputError("limbs must hold at least one limb, got none")
    area = np.array([at_least("area_cm2", limb.area_cm2, 1e-9) for limb in limbs])
    have = np.array([limb.have_n for limb in limbs], dtype=np.float64)
    blank = np.isnan(have)
    filled = have.copy()
    if blank.any():
        rest = max(total.value_n - float(np.nansum(have)), 0.0)
        filled[blank] = rest * area[blank] / area[blank].sum()
    # hands take off whole fruit: of 33.9 estimated none comes off where 34 may stay
    whole_n = _whole(filled)
    # a limb nobody has seen takes its share by wood, whatever the others make likely for it
    most = min(target.middle_n, total.value_n) if math.isfinite(total.value_n) else target.middle_n
    keep = share_by_area(most, area, have_n=np.where(blank, np.nan, whole_n))
    rows = [
        LimbShare(
            limb.name, limb.area_cm2, float(h), not bool(b), int(k), int(k), NOT_KNOWN, int(w)
        )
        for limb, h, w, b, k in zip(limbs, filled, whole_n, blank, keep, strict=True)
    ]
    sheet = TreeSheet(
        (), total, target, 0, NOT_KNOWN, common_practice_notes(total.value_n), NOT_KNOWN
    )
    return with_limbs(sheet, rows, pace_n_per_min=pace_n_per_min, fruit_g=fruit_g)


def with_limbs(
    sheet: TreeSheet,
    limbs: Sequence[LimbShare],
    *,
    pace_n_per_min: float | None = None,
    fruit_g: float | None = None,
) -> TreeSheet:
    """A sheet of these limbs, their work and all sums worked out.

    Parameters
    ----------
    sheet : TreeSheet
        Its total and target stay.
    limbs : sequence of LimbShare
        Their ``keep_n`` and ``final_n`` lead.
    pace_n_per_min, fruit_g : float, optional
        See :func:`thinning_work`.
    """
    work = partial(thinning_work, pace_n_per_min=pace_n_per_min, fruit_g=fruit_g)
    rows = tuple(
        replace(x, work=work(x.whole_n, x.keep_n, final_n=x.final_n) if x.counted else NOT_KNOWN)
        for x in limbs
    )
    known = [x.work for x in rows if x.counted]
    sums = Work(*(sum(getattr(w, f.name) for w in known) for f in fields(Work)))
    keep_n, final_n = (sum(getattr(x, name) for x in rows) for name in ("keep_n", "final_n"))
    whole = sums
    if len(known) < len(rows):
        whole = work(max(sheet.total.value_n, 0.0), keep_n, final_n=final_n)
    return replace(sheet, limbs=rows, keep_n=keep_n, work=sums, whole_work=whole)


def _whole(values: FloatArray) -> FloatArray:
    """Whole numbers that add up to the rounded sum: the largest remainders are rounded up."""
    out = np.floor(values)
    short = round(float(values.sum())) - int(out.sum())
    out[np.argsort(out - values, kind="stable")[:short]] += 1
    return out
