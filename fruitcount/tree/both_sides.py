"""Limbs seen from the front and the back: what neither side shows, as a range and as a factor."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

from scipy import stats

from fruitcount.errors import BadInputError, at_least
from fruitcount.tree.hidden import BY_SIDES, Factor, ratio_factor

FEW_IN_BOTH = 7
"""Under this many recognised in both, the estimate tends to be too low (Robson & Regier, Trans.
Am. Fish. Soc. 93:215-226, 1964, from memory)."""

FEWEST_SEEN = 15
"""Under so many different fruit intervals hold less than half the time (our simulation)."""

TOO_LOW_FRAC, TOO_HIGH_FRAC = 0.18, 0.16
"""How far the method errs where fruit differ in how well they show, or sides show opposite ones."""

ASSUMED = (
    "The method takes every fruit to be as easy to see as the next. Where some are harder to see "
    "it comes out about 18 % too low; where one side shows just what the other hides, about 16 % "
    "too high (our simulation). The range covers both. Fruit that no side can show come on top. "
    "It is an estimate; counting by hand is surer."
)


@dataclass(frozen=True)
class TwoSides:
    """Fruit on a limb photographed from front and back, hidden ones included.

    Attributes
    ----------
    value_n, var_n2 : float
        Estimate and its variance.
    low_n, high_n : float
        95 % interval.
    seen_n : int
        Different fruit seen from either side.
    """

    value_n: float
    var_n2: float
    low_n: float
    high_n: float
    seen_n: int


@dataclass(frozen=True)
class BothSides:
    """One limb's counts from two sides.

    Attributes
    ----------
    limb : str
    front_n, back_n : int
        Fruit seen on the photo of each side.
    both_n : int
        Of those, recognised as the same fruit in both. Raising it lowers the estimate.
    joined_n : tuple of float, optional
        Fruit likely there and the ends of its range, where the limb's photos could be joined: it
        goes before the counts.
    """

    limb: str
    front_n: int
    back_n: int
    both_n: int
    joined_n: tuple[float, float, float] | None = None

    def __post_init__(self) -> None:
        for name in ("front_n", "back_n", "both_n"):
            at_least(name, getattr(self, name), 0)
        if self.both_n > (least := min(self.front_n, self.back_n)):
            raise BadInputError(
                f"both must be at most {least} (the smaller side), got {self.both_n}"
            )

    @property
    def whole(self) -> TwoSides:
        """All fruit on the limb, with an interval.

        Chapman's estimator (Univ. Calif. Publ. Stat. 1:131-160, 1951) with Seber's variance
        (1970); the interval is log-normal in the number never seen (Chao 1987), so that it does
        not fall under the fruit seen. All three from memory. It assumes that being hidden from
        the front says nothing of being hidden from the back; fruit deep in leaves break that, and
        the estimate is then too low.
        """
        a, b, m = self.front_n, self.back_n, self.both_n
        z = float(stats.norm.ppf(0.975))
        if self.joined_n is not None:
            likely, low, high = self.joined_n
            sd_n = likely * math.log(high / low) / (2 * z)
            return TwoSides(likely, sd_n**2, low, high, a + b - m)
        value = (a + 1) * (b + 1) / (m + 1) - 1
        var = (a + 1) * (b + 1) * (a - m) * (b - m) / ((m + 1) ** 2 * (m + 2))
        seen = a + b - m
        hidden = value - seen
        if hidden <= 0 or var == 0:
            return TwoSides(value, var, value, value, seen)
        spread = math.exp(z * math.sqrt(math.log1p(var / hidden**2)))
        return TwoSides(value, var, seen + hidden / spread, seen + hidden * spread, seen)

    @property
    def range_n(self) -> tuple[float, float]:
        """The interval with what differing visibility may do to it; not under the fruit seen."""
        whole = self.whole
        if self.joined_n is not None:
            return whole.low_n, whole.high_n
        low = max(whole.low_n / (1 + TOO_HIGH_FRAC), float(whole.seen_n))
        return low, whole.high_n / (1 - TOO_LOW_FRAC)


def enough_seen(limbs: Sequence[BothSides]) -> list[BothSides]:
    """Limbs that show enough different fruit for a number."""
    return [x for x in limbs if x.whole.seen_n >= FEWEST_SEEN]


def both_sides_factor(limbs: Sequence[BothSides]) -> Factor:
    """True fruit for one seen on one side, from limbs seen from both; seen is their mean.

    As :func:`seen_to_true`, with the Chapman estimates in the place of hand counts. Limbs with
    fewer than :data:`FEWEST_SEEN` different fruit are left out. How the limbs differ holds the
    estimates' own error already; where the limbs agree by luck, the spread is not taken as less
    than that error alone. The interval takes in what differing visibility may do.

    Parameters
    ----------
    limbs : sequence of BothSides
        More limbs narrow the factor's interval; one alone tells no spread (NaN).

    Raises
    ------
    BadInputError
        When no limb shows enough fruit.
    """
    limbs = enough_seen(limbs)
    seen = [(x.front_n + x.back_n) / 2 for x in limbs]
    if sum(seen) <= 0:
        raise BadInputError(f"a limb must show at least {FEWEST_SEEN} different fruit, got none")
    whole = [x.whole for x in limbs]
    least = math.sqrt(sum(t.var_n2 for t in whole)) / sum(seen)
    raw = ratio_factor(seen, [t.value_n for t in whole], least_se=least)
    # What is on a limb is never less than what one of its sides shows.
    low = max(raw.low / (1 + TOO_HIGH_FRAC), 1.0) if raw.known else math.nan
    return replace(raw, low=low, high=raw.high / (1 - TOO_LOW_FRAC), limbs_are=BY_SIDES)


def both_sides_lines(limbs: Sequence[BothSides]) -> tuple[str, ...]:
    """Each limb's estimate as a range, and what has to be assumed, in sentences."""
    out = [_line(x) for x in limbs]
    few = [x.limb for x in enough_seen(limbs) if x.both_n < FEW_IN_BOTH and x.whole.var_n2 > 0]
    if few:
        out.append(
            f"Fewer than {FEW_IN_BOTH} fruit were recognised in both on {', '.join(few)}: "
            "the estimate is rough there and tends to be too low."
        )
    if len(limbs) == 1:
        out.append("One limb alone does not show how much limbs differ: do two or more.")
    return (*out, ASSUMED)


def _line(limb: BothSides) -> str:
    whole = limb.whole
    low, high = math.floor(limb.range_n[0]), math.ceil(limb.range_n[1])
    if whole.seen_n < FEWEST_SEEN:
        return (
            f"Limb {limb.limb} from both sides: at least {whole.seen_n} fruit. Of under "
            f"{FEWEST_SEEN} different ones it cannot be told how many more are hidden."
        )
    return (
        f"Limb {limb.limb} from both sides: {low} to {high} fruit, with those that neither shows. "
        f"{whole.seen_n} different ones were seen; capture-recapture by itself says "
        f"{round(whole.value_n)}."
    )


@dataclass(frozen=True)
class SidePair:
    """Two photos of one limb, one from each side.

    Attributes
    ----------
    limb : str
    front_id, back_id : int
        Numbers of the photos.
    front_n, back_n : int
        Fruit counted on each.
    both_n : int or None
        Recognised as the same on both; None where that was not told.
    more_ids : tuple of int
        The limb's other photos.
    """

    limb: str
    front_id: int
    back_id: int
    front_n: int
    back_n: int
    both_n: int | None = None
    more_ids: tuple[int, ...] = ()

    @property
    def most_both_n(self) -> int:
        """Fruit that can be on both at most: those of the lesser side."""
        return min(self.front_n, self.back_n)

    @property
    def fits(self) -> bool:
        """Whether both photos show as many as are said to be on both."""
        return self.both_n is None or self.both_n <= self.most_both_n


def side_pairs(
    rows: Iterable[Mapping[str, Any]], told: Mapping[frozenset[int], int]
) -> list[SidePair]:
    """One pair for each named limb with a counted photo of either side, before thinning.

    Where a limb has several photos of a side, the pair that was told of is taken, else the
    photos that come first.

    Parameters
    ----------
    rows : iterable of mapping
        One tree's photos, as :func:`fruitcount.tree.group.group_limbs` takes them, each with
        its ``photo_id``.
    told : mapping
        The numbers of two photos, to the fruit recognised on both.
    """
    limbs: dict[str, dict[str, list[tuple[int, int]]]] = {}
    for row in rows:
        good = row.get("ok") and row.get("count_n") is not None and row.get("limb")
        if good and row.get("moment") != "after":
            sides = limbs.setdefault(str(row["limb"]), {"front": [], "back": []})
            side = str(row.get("side") or "")
            sides.setdefault(side, []).append((int(row["photo_id"]), int(row["count_n"])))
    out = []
    for limb, sides in limbs.items():
        more = tuple(k for side in sides for k, _ in sides[side] if side not in ("front", "back"))
        pairs = [
            SidePair(limb, front, back, front_n, back_n, told.get(frozenset((front, back))), more)
            for (front, front_n), (back, back_n) in product(sides["front"], sides["back"])
        ]
        out += [p for p in pairs if p.both_n is not None][:1] or pairs[:1]
    return out


def told_pairs(pairs: Sequence[SidePair]) -> tuple[tuple[BothSides, ...], tuple[str, ...]]:
    """The limbs whose count on both sides was told, and what is to be said of those left out.

    A photo that was corrected since may show fewer fruit than were said to be on both: that limb
    is not used until the number is told again.
    """
    good = [p for p in pairs if p.both_n is not None and p.fits]
    use = tuple(BothSides(p.limb, p.front_n, p.back_n, p.both_n or 0) for p in good)
    if not any(x.front_n + x.back_n for x in use):
        use = ()
    remarks = tuple(
        f"Limb {p.limb}: {p.both_n} fruit were said to be on both sides, but its photos now show "
        f"{p.front_n} and {p.back_n}. It is not used: count those on both again."
        for p in pairs
        if not p.fits
    )
    return use, remarks
