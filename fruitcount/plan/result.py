"""What the plan says: the verdict, the counts, and the work."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fruitcount.errors import at_least
from fruitcount.flags import Flag
from fruitcount.plan.fruit_size import Timing
from fruitcount.plan.target import KeepTarget
from fruitcount.types import BoolArray, FloatArray, Reason, read_only


@dataclass(frozen=True)
class FirstPass:
    """What the first pass leaves on record for the second, and to know the limb again.

    Attributes
    ----------
    kept_count : int
        Fruit left standing.
    final_count : float
        Promised at harvest, on the wood that stays; NaN if it was not known.
    length_mm : float
        Fruiting wood as it was before the cuts; NaN if not known.
    species, plan_choice : str
    left_length_mm : float
        The main limb after the cuts; NaN if not known or in records of earlier versions.
    left_forks_mm, left_fruit_mm : tuple of float
        Along the main limb: forks that stay, and kept fruit (that of a shoot at its fork).
    base_diameter_mm : float
        NaN if not known or in records of earlier versions.
    """

    kept_count: int
    final_count: float
    length_mm: float
    species: str
    plan_choice: str = "quick"
    left_length_mm: float = math.nan
    left_forks_mm: tuple[float, ...] = ()
    left_fruit_mm: tuple[float, ...] = ()
    base_diameter_mm: float = math.nan

    def __post_init__(self) -> None:
        at_least("kept_count", self.kept_count, 0)


@dataclass(frozen=True)
class Choice:
    """One way to do it, beside the other: see ``choice_lines``.

    Attributes
    ----------
    name : {"quick", "full"}
    chosen : bool
    keep_n : int
        Fruit that stays now.
    final_n : float
        Promised at harvest; NaN where not known.
    cuts_n, pinches_n : int
    work_seconds, harvest_g : float
    load_word : str
        The load's verdict on what stays.
    """

    name: str
    chosen: bool
    keep_n: int
    final_n: float
    cuts_n: int
    pinches_n: int
    work_seconds: float
    harvest_g: float
    load_word: str


def summed(named: Choice, choices: Sequence[Choice]) -> Choice:
    """One choice for several limbs, named as ``named``; no load, which is each limb's own."""
    summed_up = ("keep_n", "final_n", "cuts_n", "pinches_n", "work_seconds", "harvest_g")
    totals: dict[str, Any] = {n: sum(getattr(c, n) for c in choices) for n in summed_up}
    return replace(named, load_word="not known", **totals)


@dataclass(frozen=True)
class Cut:
    """One clipper cut.

    Attributes
    ----------
    shoot : int
        -1 on the main limb, else index in ``Limb.shoots``.
    at_mm : float
        Along its own line, from the limb's base or from the shoot's fork. NaN without a scale.
    at_px : float
        The same in photo pixels.
    from_base_mm, from_base_px : float
        Along the wood from the base of the limb.
    x_px, y_px : float
        Where to draw it.
    fruit : tuple of int
        Crop fruit that this cut brings off, as indices of the fruitlets.
    share_frac : float
        Share of all fruit coming off.
    diameter_mm : float
        Of the wood there; NaN if the limb's thickness is not known.
    """

    shoot: int
    at_mm: float
    at_px: float
    from_base_mm: float
    from_base_px: float
    x_px: float
    y_px: float
    fruit: tuple[int, ...]
    share_frac: float
    diameter_mm: float


@dataclass(frozen=True, eq=False)
class Plan:
    """The whole answer for one limb and one pass.

    Attributes
    ----------
    verdict : {"thin", "leave", "cannot tell", "check limb"}
    reason : str
        One sentence behind the verdict.
    crop_count, yellowing_count : int
        Green and damaged fruit on the limb, that would be crop; yellowing fruit, not counted.
    target : KeepTarget
        The count wanted, its range, and the rule that governs it.
    rule : str
        What governs the number kept in the end: ``target.rule``, ``"what is there"``, or
        ``"room"`` (gaps and clusters left no room for more).
    keep_count : int
        Fruit to keep, as many as ``keep_mask`` holds.
    keep_mask, off_mask : bool arrays, one a fruitlet
        No fruit is in both. Yellowing fruit and that of other limbs is in neither.
    keep_score : float array, one a fruitlet
        0 to 1; NaN for damaged and yellowing fruit, and for fruit not on this limb.
    cuts : tuple of Cut
    pinches : tuple of int
        Fruit to take off by hand, in order from the base.
    work_seconds, clipper_share_frac : float
        Estimated time; share of the fruit coming off that clippers bring off (NaN if none).
    timing : Timing
    answer, range_sentence, time_sentence : str
        The first line a person reads; which rule sets each end of its range; how long it takes.
    notes : tuple of str
        Sentences for the grower, most important first.
    explanation : tuple of Reason
        Where each number comes from.
    flags : Flag
    length_mm, gap_mm : float
        Fruiting wood counted, and closest two kept fruit of different clusters. NaN if not known.
    pass_number : int
    plan_choice : {"quick", "full"}
    final_count : float
        Promised at harvest: what a second pass would keep of the fruit and wood that stay. NaN
        where no number is known.
    too_thick_to_cut : bool
        Part of the limb is too thick for hand tools, so no cut is proposed there.
    count_range_n : tuple of float
        Fewest and most fruit that may hang here; NaN where not known.
    first_pass : FirstPass or None
        What goes on record for the second pass and for the check after the work.
    """

    verdict: str
    reason: str
    crop_count: int
    yellowing_count: int
    target: KeepTarget
    rule: str
    keep_count: int
    keep_mask: BoolArray
    off_mask: BoolArray
    keep_score: FloatArray
    cuts: tuple[Cut, ...]
    pinches: tuple[int, ...]
    work_seconds: float
    clipper_share_frac: float
    timing: Timing
    flags: Flag
    length_mm: float
    gap_mm: float
    pass_number: int
    plan_choice: str
    final_count: float = math.nan
    too_thick_to_cut: bool = False
    count_range_n: tuple[float, float] = (math.nan, math.nan)
    first_pass: FirstPass | None = None
    answer: str = ""
    range_sentence: str = ""
    time_sentence: str = ""
    notes: tuple[str, ...] = ()
    explanation: tuple[Reason, ...] = ()

    def __post_init__(self) -> None:
        for name in ("keep_mask", "off_mask"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.bool_))
        object.__setattr__(self, "keep_score", read_only(self.keep_score, np.float64))

    @property
    def keep_low_n(self) -> int:
        """Fewest that the rules would keep; never more than are kept."""
        ends = (self.target.low, self.count_range_n[0], self.keep_count)
        return round(float(np.nanmin(ends)))

    @property
    def keep_high_n(self) -> int:
        """Most that the rules would keep, of what may hang here; never fewer than are kept."""
        high = min(self.target.high, self.most_there_n)
        return max(round(high), self.keep_count) if math.isfinite(high) else self.keep_count

    @property
    def most_there_n(self) -> float:
        """Most fruit that may hang here: those counted, or the high end of their range."""
        return float(np.nanmax([self.crop_count, self.count_range_n[1]]))

    @property
    def keep_low_rule(self) -> str:
        """What sets the low end: a rule of the target, the room there is, or what hangs here."""
        if self.keep_low_n == self.target.low:
            return self.target.low_rule
        return "room" if self.keep_low_n == self.keep_count else "what hangs here"

    @property
    def keep_high_rule(self) -> str:
        """What sets the high end: a rule of the target, or what hangs here."""
        if self.target.high > self.most_there_n:
            return "what hangs here"
        return self.target.high_rule

    @property
    def number_known(self) -> bool:
        """Whether there is a number to keep."""
        return self.verdict in ("thin", "leave")

    @property
    def off_count(self) -> int:
        """Fruit to take off."""
        return int(self.off_mask.sum())
