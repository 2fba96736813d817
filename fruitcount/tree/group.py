"""Photos of one limb put together, so that no fruit is added twice."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import mean
from typing import Any

from fruitcount.tree.photos import same_looks


@dataclass(frozen=True)
class LimbCount:
    """One limb at one moment.

    Attributes
    ----------
    tree, limb : str
    moment : {"", "before", "after"}
    count_n : float
        Fruit on it; NaN when no photo could be counted.
    mean_n : float
        The same as the mean of front and back, where there are both.
    low_n, high_n : float
        What its photos' own count ranges make of it; NaN where a photo has none.
    how : str
        How ``count_n`` was reached, in words.
    files : tuple of str
        Photos used.
    left_out : tuple of str
        Copies and photos that could not be counted.
    base_diameter_mm : float
        Mean of what the photos told; NaN if none did.
    """

    tree: str
    limb: str
    moment: str
    count_n: float
    mean_n: float
    low_n: float
    high_n: float
    how: str
    files: tuple[str, ...]
    left_out: tuple[str, ...]
    base_diameter_mm: float = math.nan


def group_limbs(rows: Sequence[Mapping[str, Any]]) -> list[LimbCount]:
    """Group rows by tree, limb and moment.

    Copies (same bytes or same looks) are left out. Several photos of one side are repeats and
    their mean is taken. Front and back are not added: the better side is taken.

    Parameters
    ----------
    rows : sequence of mapping
        With ``file``, ``ok``, ``count_n`` and, where known, ``tree``, ``limb``, ``side``,
        ``moment``, ``look``, ``same_as``, ``base_diameter_mm``, ``count_low_n``,
        ``count_high_n``. Rows without a limb name are each a limb of their own.
    """
    groups: dict[tuple[str, str, str], list[Mapping[str, Any]]] = {}
    copies = copies_of(rows)
    for row in rows:
        limb = str(row.get("limb") or row["file"])
        if row["file"] in copies and not row.get("limb"):
            limb = copies[str(row["file"])]
        key = (str(row.get("tree") or ""), limb, str(row.get("moment") or ""))
        groups.setdefault(key, []).append(row)
    return [_limb(key, part, copies) for key, part in groups.items()]


def copies_of(rows: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """File of each copy, to the file it is a copy of.

    Only photos of one moment are compared by looks: from the same stand, a limb looks nearly the
    same after thinning.
    """
    out = {}
    for moment in dict.fromkeys(str(r.get("moment") or "") for r in rows):
        part = [r for r in rows if str(r.get("moment") or "") == moment]
        first = same_looks([str(r.get("look") or "") for r in part])
        for i, row in enumerate(part):
            if row.get("same_as"):
                out[str(row["file"])] = str(row["same_as"])
            elif first[i] != i:
                out[str(row["file"])] = str(part[first[i]]["file"])
    return out


def _limb(
    key: tuple[str, str, str], rows: Sequence[Mapping[str, Any]], copies: Mapping[str, str]
) -> LimbCount:
    sides: dict[str, list[Mapping[str, Any]]] = {}
    left_out: list[Mapping[str, Any]] = []
    for row in rows:
        # a copy of a photo of another limb is that limb's; left out here as well
        good = row.get("ok") and row.get("count_n") is not None and row["file"] not in copies
        (sides.setdefault(str(row.get("side") or ""), []) if good else left_out).append(row)
    firsts = [copies.get(str(row["file"])) for row in left_out]
    how = "no photo could be counted"
    if not sides and all(firsts):
        how = f"the same picture as {firsts[0]}, counted there"
    counts = {side: _mean(part, "count_n") for side, part in sides.items()}
    best: Sequence[Mapping[str, Any]] = ()
    if sides:
        best = sides[max(counts, key=lambda side: counts[side])]
        repeats = max(map(len, sides.values()))
        how = "the better of front and back" if {"front", "back"} <= set(sides) else "one side"
        how += f", mean of {repeats} photos" if repeats > 1 else ""
    used = [row for row in rows if row not in left_out]
    both = [counts[side] for side in ("front", "back") if side in counts]
    count = _mean(best, "count_n")
    return LimbCount(
        *key, count, mean(both) if len(both) > 1 else count,
        _mean(best, "count_low_n"), _mean(best, "count_high_n"), how,
        tuple(str(r["file"]) for r in used),
        tuple(str(r["file"]) for r in left_out),
        _mean([r for r in used if r.get("base_diameter_mm") is not None], "base_diameter_mm"),
    )  # fmt: skip


def _mean(rows: Sequence[Mapping[str, Any]], name: str) -> float:
    """Mean of a number of the rows; NaN where one has none, or there are no rows."""
    values = [math.nan if r.get(name) is None else float(r[name]) for r in rows]
    return mean(values) if values else math.nan


@dataclass(frozen=True)
class LimbSeason:
    """One limb in one season; NaN and None where there is no photo of that moment.

    Attributes
    ----------
    limb : str
    year : int
    before_n, after_n : float
        Fruit counted before and after thinning, front and back put together as
        :func:`fruitcount.tree.group.group_limbs` does.
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
        Photos of one tree as :func:`fruitcount.tree.group.group_limbs` takes them, with
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
        off, over = before - after, math.nan if math.isnan(keep) else max(after - keep, 0.0)
    days = {m: max((r["on"] for r in p if r.get("on")), default=None) for m, p in photos.items()}
    return LimbSeason(
        name, year, before, after, keep, days.get("before"), days.get("after"), off, over,
        sum(map(len, photos.values())), any(r.get("limb") for p in photos.values() for r in p),
    )  # fmt: skip
