"""What the plan says: the verdict, the counts, and the work."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitcount.flags import Flag
from fruitcount.plan.target import KeepTarget
from fruitcount.plan.timing import Timing
from fruitcount.reason import Reason
from fruitcount.types import FloatArray, read_only

__all__ = ["Cut", "Plan"]


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


@dataclass(frozen=True, eq=False)
class Plan:
    """The whole answer for one limb and one pass.

    Attributes
    ----------
    verdict : {"thin", "leave", "cannot tell"}
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
    keep_mask, off_mask, yellowing_mask : bool arrays, one a fruitlet
        No fruit is in two of them. Fruit of other limbs is in none.
    worth : float array, one a fruitlet
        0 to 1; NaN for fruit that is never kept or not on this limb.
    cuts : tuple of Cut
    pinches : tuple of int
        Fruit to take off by hand, in order from the base.
    work_seconds, clipper_share_frac : float
        Estimated time; share of the fruit coming off that clippers bring off (NaN if none).
    timing : Timing
    notes : tuple of str
        Sentences for the grower, most important first.
    explanation : tuple of Reason
        Where each number comes from.
    flags : Flag
    length_mm, gap_mm : float
        Fruiting wood counted, and closest gap used. NaN without a scale.
    pass_number : int
    largest_cluster : int
        Fruit in the largest cluster; 0 where nothing was grouped.
    """

    verdict: str
    reason: str
    crop_count: int
    yellowing_count: int
    target: KeepTarget
    rule: str
    keep_count: int
    keep_mask: NDArray[np.bool_]
    off_mask: NDArray[np.bool_]
    yellowing_mask: NDArray[np.bool_]
    worth: FloatArray
    cuts: tuple[Cut, ...]
    pinches: tuple[int, ...]
    work_seconds: float
    clipper_share_frac: float
    timing: Timing
    flags: Flag
    length_mm: float
    gap_mm: float
    pass_number: int
    largest_cluster: int
    notes: tuple[str, ...] = ()
    explanation: tuple[Reason, ...] = ()

    def __post_init__(self) -> None:
        for name in ("keep_mask", "off_mask", "yellowing_mask"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.bool_))
        object.__setattr__(self, "worth", read_only(self.worth, np.float64))

    @property
    def keep_low_n(self) -> int:
        """Fewest that the rules would keep; never more than are kept."""
        low = self.target.low
        return min(round(low), self.keep_count) if math.isfinite(low) else self.keep_count

    @property
    def keep_high_n(self) -> int:
        """Most that the rules would keep, of what hangs here; never fewer than are kept."""
        high = min(self.target.high, self.crop_count)
        return max(round(high), self.keep_count) if math.isfinite(high) else self.keep_count

    @property
    def answer(self) -> str:
        """The first line a person reads, such as ``KEEP 6 of 23 (5 to 8), take off 17``."""
        if self.verdict == "leave":
            return "LEAVE IT: " + self.reason
        if self.verdict == "cannot tell":
            return "CANNOT TELL: " + self.reason
        low, high = self.keep_low_n, self.keep_high_n
        span = f"{low}" if low == high else f"{low} to {high}"
        return f"KEEP {self.keep_count} of {self.crop_count} ({span}), take off {self.off_count}"

    @property
    def off_count(self) -> int:
        """Fruit to take off."""
        return int(self.off_mask.sum())

    @property
    def off_share_frac(self) -> float:
        """Share of the crop that comes off; NaN without a crop."""
        return self.off_count / self.crop_count if self.crop_count else float("nan")
