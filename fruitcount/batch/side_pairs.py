"""Photos of a limb's two sides, paired, with the fruit recognised on both."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

from fruitcount.tree import BothSides

__all__ = ["SidePair", "side_pairs", "told_pairs"]


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
    """

    limb: str
    front_id: int
    back_id: int
    front_n: int
    back_n: int
    both_n: int | None = None

    @property
    def fits(self) -> bool:
        """Whether both photos show as many as are said to be on both."""
        return self.both_n is None or self.both_n <= min(self.front_n, self.back_n)


def side_pairs(
    rows: Iterable[Mapping[str, Any]], told: Mapping[frozenset[int], int]
) -> list[SidePair]:
    """One pair for each named limb with a counted photo of either side, before thinning.

    Where a limb has several photos of a side, the pair that was told of is taken, else the
    photos that come first.

    Parameters
    ----------
    rows : iterable of mapping
        One tree's photos, as :func:`fruitcount.batch.group.group_limbs` takes them, each with
        its ``photo_id``.
    told : mapping
        The numbers of two photos, to the fruit recognised on both.
    """
    limbs: dict[str, dict[str, list[tuple[int, int]]]] = {}
    for row in rows:
        good = row.get("ok") and row.get("count_n") is not None and row.get("limb")
        if good and row.get("side") in ("front", "back") and row.get("moment") != "after":
            sides = limbs.setdefault(str(row["limb"]), {"front": [], "back": []})
            sides[str(row["side"])].append((int(row["photo_id"]), int(row["count_n"])))
    out = []
    for limb, sides in limbs.items():
        pairs = [
            SidePair(limb, front, back, front_n, back_n, told.get(frozenset((front, back))))
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
        f"{p.front_n} and {p.back_n}. It is not used so: tell that number again."
        for p in pairs
        if not p.fits
    )
    return use, remarks
