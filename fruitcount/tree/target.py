"""How many fruit one tree should carry, and how that is shared over its limbs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fruitcount.errors import BadInputError, at_least, in_range, one_of, positive
from fruitcount.species.model import Species
from fruitcount.tree.estimate import as_column
from fruitcount.tree.facts import SizedLimb, TreeFacts
from fruitcount.types import IntArray
from fruitcount.units import northern_month

SEASONS = ("early", "mid", "late")


@dataclass(frozen=True)
class TreeTarget:
    """Fruit to leave on one tree.

    Attributes
    ----------
    low_n, high_n : float
        Range of the advice; equal when it gives one figure.
    by : str
        What it goes by, in words that follow a number.
    source : str
        Where the figure comes from; empty where it is the keeper's own.
    """

    low_n: float
    high_n: float
    by: str
    source: str = ""

    @property
    def middle_n(self) -> float:
        """Middle of the range."""
        return (self.low_n + self.high_n) / 2

    @property
    def span(self) -> str:
        """The range in words, or its one figure."""
        low, high = f"{self.low_n:,.0f}", f"{self.high_n:,.0f}"
        return low if low == high else f"{low} to {high}"


def target_by_trunk(
    species: Species, circumference_cm: float, *, age_years: int, season: str
) -> TreeTarget:
    """Fruit to leave from trunk circumference, where the species has a published table.

    Peach and nectarine: B. van den Ende, Good Fruit Grower, December 2012, p. 49.

    Parameters
    ----------
    species : Species
    circumference_cm : float, cm
        About 20 cm above ground. More circumference, more fruit.
    age_years : int
        2 or more; the oldest row stands for any older tree.
    season : {"early", "mid", "late"}
        When the variety ripens: northern hemisphere May-June, July-August, September-October.

    Raises
    ------
    BadInputError
        When the species has no such table.
    """
    positive("circumference_cm", circumference_cm)
    at_least("age_years", age_years, 2)
    one_of("season", season, SEASONS)
    rows = [
        row
        for row in species.trunk_rows
        if row.age_years <= age_years and row.season in ("all", season)
    ]
    if not rows:
        raise BadInputError(f"no table by trunk is known for {species.name}")
    row = max(rows, key=lambda r: r.age_years)
    low, high = row.low_per_cm * circumference_cm, row.high_per_cm * circumference_cm
    source = species.tables_source["trunk_table"].source
    return TreeTarget(low, high, "by trunk and age, from a published table", source)


def target_by_spacing(
    length_mm: ArrayLike, *, low_mm: float, high_mm: float, by: str
) -> TreeTarget:
    """One fruit every ``low_mm`` to ``high_mm`` of fruiting wood, over all limbs.

    Parameters
    ----------
    length_mm : array-like, mm
        Fruiting length of each limb.
    low_mm, high_mm : float, mm
        Closest and widest spacing of the advice. Wider leaves fewer fruit.
    by : str
        Whose spacing that is, in words.
    """
    total = float(as_column("length_mm", length_mm).sum())
    if positive("low_mm", low_mm) > positive("high_mm", high_mm):
        raise BadInputError(f"low_mm must be at most high_mm, got {low_mm!r} and {high_mm!r}")
    return TreeTarget(total / high_mm, total / low_mm, by)


def target_by_crates(crates_n: float, *, crate_kg: float, fruit_g: float) -> TreeTarget:
    """Fruit that fill the crates the user wants from this tree.

    Parameters
    ----------
    crates_n : float
    crate_kg : float, kg
        Fruit in one full crate.
    fruit_g : float, g
        Wanted weight of one ripe fruit. Larger fruit, fewer of them.
    """
    n = at_least("crates_n", crates_n, 0) * positive("crate_kg", crate_kg) * 1000
    n /= positive("fruit_g", fruit_g)
    return TreeTarget(n, n, "by your own crates")


def share_by_area(
    target_n: float, area_cm2: ArrayLike, *, have_n: ArrayLike | None = None
) -> IntArray:
    """Share a tree's target over its limbs by cross-section area, in whole fruit.

    Largest remainders get the odd fruit, so the shares add up to the target exactly. A limb that
    has fewer fruit than its share keeps them all and the rest goes to the others.

    Parameters
    ----------
    target_n : float
        Fruit to leave on the tree; rounded to whole fruit.
    area_cm2 : array-like, shape (N,), cm2
        Larger limbs get more.
    have_n : array-like, shape (N,), optional
        Fruit on each limb now. NaN where it is not known: such a limb takes any share.

    Returns
    -------
    int array, shape (N,)
        Sums to the target, or to all fruit there are if that is fewer.
    """
    area = as_column("area_cm2", area_cm2, least=1e-9)
    in_range("target_n", target_n, 0, 1e7)
    room = np.full(len(area), np.inf)
    if have_n is not None:
        have = np.asarray(have_n, dtype=np.float64)
        if have.shape != area.shape:
            raise BadInputError(f"have_n must have {len(area)} values, got {have.size}")
        room = np.where(np.isnan(have), np.inf, np.floor(np.maximum(have, 0)))
    left = int(min(round(target_n), room.sum()))
    out = np.zeros(len(area), dtype=np.int64)
    open_ = room > 0
    while left > 0:
        quota = np.where(open_, area, 0.0) / area[open_].sum() * left
        full = open_ & (quota >= room - out)
        if full.any():  # fill these up first, then share what is left among the others
            out[full] = room[full].astype(np.int64)
            left = int(min(round(target_n), room.sum())) - int(out.sum())
            open_ &= ~full
            continue
        whole = np.floor(quota).astype(np.int64)
        odd = np.argsort(-(quota - whole), kind="stable")[: left - int(whole.sum())]
        out += whole
        out[odd] += 1
        left = 0
    return out


def target_of(
    limbs: Sequence[SizedLimb], area: Any, species: Species, facts: TreeFacts, fruit_g: float
) -> tuple[TreeTarget, list[str]]:
    """The tree's target, from the crates, else the trunk, else the spacing; and what was assumed.

    Parameters
    ----------
    limbs : sequence of SizedLimb
    area : array, cm2
        Their cross-sections.
    species : Species
    facts : TreeFacts
    fruit_g : float
        Weight of one ripe fruit.

    Raises
    ------
    BadInputError
        When nothing tells a target.
    """
    if facts.crates_n is not None and facts.crate_kg is not None:
        return target_by_crates(facts.crates_n, crate_kg=facts.crate_kg, fruit_g=fruit_g), []
    if facts.trunk_circumference_mm is not None:
        if facts.age_years is None:
            raise BadInputError("age_years must be given with the trunk circumference, got None")
        month = facts.ripening_month
        if month is not None:
            month = northern_month(month, southern=facts.southern)
        said = [] if month else ["The ripening month is not known: taken as mid-season."]
        circumference_cm = facts.trunk_circumference_mm / 10
        season = species.season_of(month) or "mid"
        target = target_by_trunk(
            species, circumference_cm, age_years=facts.age_years, season=season
        )
        return target, said
    return _by_spacing(limbs, area, species, facts)


def _by_spacing(
    limbs: Sequence[SizedLimb], area: Any, species: Species, facts: TreeFacts
) -> tuple[TreeTarget, list[str]]:
    length = np.array([limb.size.length_mm for limb in limbs])
    known = np.isfinite(length)
    if not known.any() or not (species.thinned and species.spacing_centre_mm.known):
        raise BadInputError(
            "nothing says how many to keep: give the trunk and the tree's age, or the crates "
            "wanted, or photos with a scale so that limbs have a length"
        )
    notes = []
    if not known.all():
        # longer limbs are thicker: length by the square root of the area; our own choice
        per_root = length[known].sum() / np.sqrt(area[known]).sum()
        length = np.where(known, length, per_root * np.sqrt(area))
        lack = int((~known).sum())
        lacking = f"{lack} of {len(limbs)} limbs have no measured length"
        notes.append(f"{lacking}: taken from their thickness.")
    low, high = species.spacing_low_mm, species.spacing_high_mm
    heavy = species.heavy_set_spacing_mm  # thinned down to this and no further
    ends = (heavy.number,) * 2 if heavy.known else (low.number, high.number)
    status = "from published figures" if low.status == "derived" else low.status
    by = f"by spacing {ends[0] / 10:.0f} to {ends[1] / 10:.0f} cm, {status}"
    if facts.spacing_mm is not None:
        ends = (facts.spacing_mm, facts.spacing_mm)
        by = "by your own spacing"
    return target_by_spacing(length, low_mm=ends[0], high_mm=ends[1], by=by), notes
