"""The tree's sheet: what to keep and take off on every limb, and the work that it takes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

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
    pace = math.nan if pace_n_per_min is None else positive("pace_n_per_min", pace_n_per_min)
    kg = math.nan if fruit_g is None else positive("fruit_g", fruit_g) / 1000
    return Work(off, off / pace, final, final * kg)


COMMON_PRACTICE = (
    "1,500 to 2,500 fruit on one small tree cannot ripen well (common practice, no source).",
    "Thinning is for the tree's health too, not only for fruit size (common practice, no source).",
)
_TOO_MANY_N = 1500


@dataclass(frozen=True)
class LimbShare:
    """One line of the sheet.

    Attributes
    ----------
    name : str
    area_cm2 : float
    have_n : float
        Fruit on it, hidden ones included: as counted, or as estimated from the other limbs when
        ``counted`` is False; before that NaN.
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
    have_n: float = math.nan
    counted: bool = True
    keep_n: int = 0
    final_n: int = 0
    work: Work = NOT_KNOWN
    whole_n: int = 0
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
    pace_n_per_min, fruit_g : float, optional
        See :func:`thinning_work`.
    """

    limbs: tuple[LimbShare, ...]
    total: Estimate
    target: TreeTarget
    pace_n_per_min: float | None = None
    fruit_g: float | None = None

    def with_limbs(self, limbs: Sequence[LimbShare]) -> TreeSheet:
        """These limbs with their work; their ``keep_n`` and ``final_n`` lead."""
        rows = (
            replace(x, work=self._work(x.whole_n, x.keep_n, x.final_n) if x.counted else NOT_KNOWN)
            for x in limbs
        )
        return replace(self, limbs=tuple(rows))

    def _work(self, have_n: float, keep_n: float, final_n: float) -> Work:
        pace, fruit_g = self.pace_n_per_min, self.fruit_g
        return thinning_work(have_n, keep_n, final_n=final_n, pace_n_per_min=pace, fruit_g=fruit_g)

    @property
    def counted(self) -> tuple[LimbShare, ...]:
        """The limbs that were photographed."""
        return tuple(x for x in self.limbs if x.counted)

    @property
    def keep_n(self) -> int:
        """What stays now on all limbs."""
        return sum(x.keep_n for x in self.limbs)

    @property
    def notes(self) -> tuple[str, ...]:
        """Facts of common practice that apply, said to be that."""
        return common_practice_notes(self.total.value_n)

    @property
    def work(self) -> Work:
        """Work on the limbs photographed: of the others nothing is known."""
        known = [x.work for x in self.counted]
        return Work(*(sum(getattr(w, f.name) for w in known) for f in fields(Work)))

    @property
    def whole_work(self) -> Work:
        """Work that is likely on the whole tree, from ``total``: to plan the hours."""
        if len(self.counted) == len(self.limbs):
            return self.work
        final_n = sum(x.final_n for x in self.limbs)
        return self._work(max(self.total.value_n, 0.0), self.keep_n, final_n)


def common_practice_notes(total_n: float) -> tuple[str, ...]:
    """Notes that fit a tree with that many fruit, each said to be common practice."""
    return COMMON_PRACTICE if total_n >= _TOO_MANY_N else COMMON_PRACTICE[1:]


def tree_sheet(
    limbs: Sequence[LimbShare],
    total: Estimate,
    *,
    target: TreeTarget,
    pace_n_per_min: float | None = None,
    fruit_g: float | None = None,
) -> TreeSheet:
    """Share the target over the limbs and work out what it takes.

    Parameters
    ----------
    limbs : sequence of LimbShare
        Every limb of the tree, with its ``area_cm2`` and, where it was photographed, ``have_n``.
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
    # where none was seen yet that says too little of the others
    most = min(target.middle_n, total.value_n) if total.value_n > 0 else target.middle_n
    keep = share_by_area(most, area, have_n=np.where(blank, np.nan, whole_n))
    rows = [
        replace(
            x, have_n=float(h), counted=not bool(b), keep_n=int(k), final_n=int(k), whole_n=int(w)
        )
        for x, h, w, b, k in zip(limbs, filled, whole_n, blank, keep, strict=True)
    ]
    return TreeSheet((), total, target, pace_n_per_min, fruit_g).with_limbs(rows)


def _whole(values: FloatArray) -> FloatArray:
    """Whole numbers that add up to the rounded sum: the largest remainders are rounded up."""
    out = np.floor(values)
    short = round(float(values.sum())) - int(out.sum())
    out[np.argsort(out - values, kind="stable")[:short]] += 1
    return out
