"""One rule for both the limb and the season: what the size of the fruitlets says about the date."""

from __future__ import annotations

from fruitcount.species.model import Species

PEA_MM = 8.0
"""A garden pea; memory, no source."""
DIME_MM = 17.91
"""US Mint coin specifications."""
NICKEL_MM = 21.21
"""US Mint coin specifications."""
SIZE_WORDS = ("too early", "early but possible", "in time", "last call", "late")


def latest_size_mm(species: Species, *, early_ripening: bool) -> float:
    """Size from which thinning is late.

    The published ends differ: no later than nickel size (NC State; 1 in for apricot, UC IPM), and
    1/2 to 1 in (UC Santa Clara). The lower holds for early-ripening varieties, which have the
    least time left (common practice, no source), the higher for all others.
    """
    ends = (species.thinning_latest_mm.number, species.thinning_size_mm.high)
    return min(ends) if early_ripening else max(ends)


def size_word(size_mm: float, species: Species, *, early_ripening: bool = False) -> str:
    """One of :data:`SIZE_WORDS` for the median diameter of green fruit.

    Under a pea natural drop still chooses. From a pea on people thin (pea to dime: common
    practice, no source), but the published window starts at ``thinning_size_mm`` (1/2 in), so
    between the two it is early but possible. Over a dime it is the last call, until late.

    Parameters
    ----------
    size_mm : float, mm
    species : Species
    early_ripening : bool
        True makes the larger sizes late sooner.
    """
    latest = latest_size_mm(species, early_ripening=early_ripening)
    if size_mm > latest or (early_ripening and size_mm >= latest):
        return "late"
    if size_mm < PEA_MM:
        return "too early"
    if size_mm < species.thinning_size_mm.low:
        return "early but possible"
    return "in time" if size_mm <= DIME_MM else "last call"
