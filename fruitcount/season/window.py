"""Is it time to thin this tree: by fruitlet size first, else by days after bloom."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from fruitcount.checks import positive
from fruitcount.errors import SpeciesError
from fruitcount.species import Species, load_species
from fruitcount.species.size_rule import latest_size_mm, size_word

__all__ = ["DAYS_AFTER_BLOOM", "DaysWindow", "Timing", "timing"]

# under the window by this much is "soon"; our own choice
_SOON_DAYS = 10
_BY_SIZE = {
    "too early": "too early", "early but possible": "soon", "in time": "now", "last call": "now",
    "late": "late",
}  # fmt: skip


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
    species: str,
    today: date,
    *,
    bloom_date: date | None = None,
    size_mm: float | None = None,
    early: bool = False,
) -> Timing:
    """Tell from size if it was measured, else from bloom.

    Parameters
    ----------
    species : str
        Name of a species file; its size window is used.
    today : date
    bloom_date : date, optional
    size_mm : float, optional, mm
        Median fruitlet diameter. A measured size outweighs the calendar.
    early : bool
        Early-ripening varieties are late already at the species' ``thinning_latest_mm``, others
        at the end of its size window: :func:`fruitcount.species.size_rule.size_word`, which
        the plan of a limb uses too.
    """
    try:
        known = load_species(species) if species else None
    except SpeciesError:
        known = None
    if known is not None and not known.thinned:
        return Timing("not thinned", f"{known.title} is not thinned by hand.")
    if size_mm is not None and known is not None:
        return _by_size(positive("size_mm", size_mm), known, early)
    if bloom_date is None:
        return Timing("not told", "Species with fruitlet size, or bloom date, is not known.")
    days = (today - bloom_date).days
    window = DAYS_AFTER_BLOOM.get(species)
    if days < 0:
        return Timing("too early", "Not in bloom yet.", "days after bloom")
    if window is None:
        return Timing("not told", f"{days} days after bloom; measure a limb: size decides.")
    text = f"{days} days after bloom; usual {window.first}-{window.last}."
    state = _state(days, window.first, window.last, _SOON_DAYS)
    return Timing(state, text, "days after bloom")


def _state(value: float, first: float, last: float, soon: float) -> str:
    if value > last:
        return "late"
    if value >= first:
        return "now"
    return "soon" if value >= first - soon else "too early"


def _by_size(size_mm: float, species: Species, early: bool) -> Timing:
    low, high = species.thinning_size_mm.low, latest_size_mm(species, early_ripening=early)
    word = size_word(size_mm, species, early_ripening=early)
    text = f"Fruitlets measure {size_mm:.0f} mm; usual {low:.0f}-{high:.0f} mm."
    if word == "early but possible":
        text += " Early but possible."
    if word == "last call":
        text += " Past dime size: do not wait."
    if word == "late":
        text += " Thin now, expect less gain."
    return Timing(_BY_SIZE[word], text, "size")
