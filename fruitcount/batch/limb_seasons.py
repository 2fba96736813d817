"""Each limb through the seasons: counted before thinning, its keep target, what was left after."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from fruitcount.batch.group import LimbCount, group_limbs
from fruitcount.season.orchard import before_after

__all__ = ["LimbSeason", "limb_seasons"]


@dataclass(frozen=True)
class LimbSeason:
    """One limb in one season; NaN and None where there is no photo of that moment.

    Attributes
    ----------
    limb : str
    year : int
    before_n, after_n : float
        Fruit counted before and after thinning, front and back put together as
        :func:`fruitcount.batch.group.group_limbs` does.
    keep_n : float
        Target set on the photo before thinning (the side with most fruit).
    before_on, after_on : date or None
        Day of the last photo of that moment.
    off_n : float
        Taken off or fallen between the two; negative when more was seen afterwards.
    over_n : float
        Fruit still over the target; 0 when it was reached.
    photos_n : int
    named : bool
        False for a photo of no named limb, which then stands for a limb of its own.
    """

    limb: str
    year: int
    before_n: float = math.nan
    after_n: float = math.nan
    keep_n: float = math.nan
    before_on: date | None = None
    after_on: date | None = None
    off_n: float = math.nan
    over_n: float = math.nan
    photos_n: int = 0
    named: bool = True


def limb_seasons(rows: Iterable[Mapping[str, Any]]) -> list[LimbSeason]:
    """One entry a limb and season: limbs in the order they come, newest season first.

    Parameters
    ----------
    rows : iterable of mapping
        Photos of one tree as :func:`fruitcount.batch.group.group_limbs` takes them, with
        ``year`` (int), ``on`` (date) and ``keep_n`` (number or None) besides. A photo whose
        moment is not told counts as taken before thinning.
    """
    years: dict[int, list[Mapping[str, Any]]] = {}
    for row in rows:
        told = {**row, "moment": "after" if row.get("moment") == "after" else "before"}
        years.setdefault(int(row["year"]), []).append(told)
    out: dict[str, list[LimbSeason]] = {}
    for year in sorted(years, reverse=True):
        for name, entry in _one_season(year, years[year]).items():
            out.setdefault(name, []).append(entry)
    return [entry for entries in out.values() for entry in entries]


def _one_season(year: int, rows: list[Mapping[str, Any]]) -> dict[str, LimbSeason]:
    by_file = {str(r["file"]): r for r in rows}
    limbs: dict[str, dict[str, LimbCount]] = {}
    for limb in group_limbs(rows):
        limbs.setdefault(limb.limb, {})[limb.moment] = limb
    return {name: _entry(name, year, both, by_file) for name, both in limbs.items()}


def _entry(
    name: str, year: int, both: Mapping[str, LimbCount], by_file: Mapping[str, Mapping[str, Any]]
) -> LimbSeason:
    photos = {moment: [by_file[f] for f in limb.files] for moment, limb in both.items()}
    before = both["before"].count_n if "before" in both else math.nan
    after = both["after"].count_n if "after" in both else math.nan
    best = max(photos.get("before", []), key=lambda r: float(r["count_n"]), default=None)
    keep = float(best["keep_n"]) if best and best.get("keep_n") is not None else math.nan
    off, over = math.nan, math.nan
    if math.isfinite(before) and math.isfinite(after):
        step = before_after(before, after, target_n=keep if math.isfinite(keep) else None)
        off, over = step.off_n, step.left_over_target_n
    days = {m: max((r["on"] for r in p if r.get("on")), default=None) for m, p in photos.items()}
    return LimbSeason(
        name, year, before, after, keep, days.get("before"), days.get("after"), off, over,
        sum(map(len, photos.values())), any(r.get("limb") for p in photos.values() for r in p),
    )  # fmt: skip
