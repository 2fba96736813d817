"""Is it time to thin this tree: by fruitlet size first, else by days after bloom."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from fruitcount.checks import positive

__all__ = [
    "BEST_SIZE_MM",
    "DAYS_AFTER_BLOOM",
    "NOT_THINNED",
    "SIZE_WINDOW_MM",
    "DaysWindow",
    "Timing",
    "timing",
]

# UC Master Gardeners of Santa Clara County: 1/2 to 1 in
SIZE_WINDOW_MM = (13.0, 25.0)
# UCCE Helpline FAQ: about 3/4 in
BEST_SIZE_MM = 19.0
# fruit under this many mm will reach 13 mm within days; our own choice
_SOON_MM = 10.0
_SOON_DAYS = 10
# K-State, Oklahoma State, UC and Univ. Nevada extension pages: cherries are not thinned by hand
NOT_THINNED = ("cherry", "sweet-cherry", "tart-cherry")


@dataclass(frozen=True)
class DaysWindow:
    """Days after full bloom between which to thin.

    Attributes
    ----------
    first, last : int
    source : str
    """

    first: int
    last: int
    source: str


_PEACH = DaysWindow(
    30, 52, "about 40 days (Marini, HortScience 38:512, 2003) to 6 weeks (Univ. Georgia), with "
    "10 days either side by our own choice",
)  # fmt: skip
_APRICOT = DaysWindow(40, 60, "40-60 days, commercial apricot (Agriculture 11(11):1138, 2021)")
_POME = DaysWindow(21, 35, "3-5 weeks (Oregon State Univ.)")
DAYS_AFTER_BLOOM: dict[str, DaysWindow] = {
    "peach": _PEACH,
    "nectarine": _PEACH,
    "apricot": _APRICOT,
    "apple": _POME,
    "pear": _POME,
}


@dataclass(frozen=True)
class Timing:
    """When to thin, against today.

    Attributes
    ----------
    state : {"too early", "soon", "now", "late", "not told", "not thinned"}
    reason : str
        One sentence.
    by : {"size", "days after bloom", ""}
    """

    state: str
    reason: str
    by: str = ""


def timing(
    species: str, today: date, *, bloom_date: date | None = None, size_mm: float | None = None
) -> Timing:
    """Tell from size if it was measured, else from bloom.

    Parameters
    ----------
    species : str
        Name of a species file.
    today : date
    bloom_date : date, optional
    size_mm : float, optional, mm
        Median fruitlet diameter. A measured size outweighs the calendar.
    """
    if species in NOT_THINNED or (species.startswith("cherry-") and "plum" not in species):
        return Timing("not thinned", "Cherries are not thinned by hand.")
    if size_mm is not None:
        return _by_size(positive("size_mm", size_mm))
    if bloom_date is None:
        return Timing("not told", "Neither fruitlet size nor bloom date is known.")
    days = (today - bloom_date).days
    window = DAYS_AFTER_BLOOM.get(species)
    if days < 0:
        return Timing("too early", "Not in bloom yet.", "days after bloom")
    if window is None:
        return Timing("not told", f"{days} days after bloom; measure a limb: size decides.")
    text = f"{days} days after bloom; usual {window.first}-{window.last}."
    state = (
        "late" if days > window.last
        else "now" if days >= window.first
        else "soon" if days >= window.first - _SOON_DAYS
        else "too early"
    )  # fmt: skip
    return Timing(state, text, "days after bloom")


def _by_size(size_mm: float) -> Timing:
    low, high = SIZE_WINDOW_MM
    state = (
        "late" if size_mm > high
        else "now" if size_mm >= low
        else "soon" if size_mm >= _SOON_MM
        else "too early"
    )  # fmt: skip
    text = f"Fruitlets measure {size_mm:.0f} mm; usual {low:.0f}-{high:.0f} mm."
    if state == "late":
        text += " Thin now, expect less gain."
    return Timing(state, text, "size")
