"""Several photos of one limb made into one limb: each fruit once, with the photos it is on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from fruitcount.errors import BadInputError, OtherLimbError
from fruitcount.fruitlets import FloatArray, Fruitlets, Kind
from fruitcount.limb.cluster import cluster_numbers
from fruitcount.lines import nearest_on_line, point_on_line
from fruitcount.types import Measurement
from fruitcount.views.hidden import likely_range
from fruitcount.views.match import Pairing, pair_fruit, seen_on_second
from fruitcount.views.places import NOMINAL_MM, Places, places_of

__all__ = ["LEAST_GAIN", "JoinedLimb", "join_photos", "one_limb"]

LEAST_GAIN = 0.9
"""Log likelihood won for each fruit of the photo with fewer, from which two photos are believed to
show one limb: nine wrong pairs in ten have less, three right ones in four more (simulation)."""

FEWEST_FRUIT = 4
"""On either photo; fewer tell nothing."""


@dataclass(frozen=True, eq=False)
class JoinedLimb:
    """One limb from several photos.

    Attributes
    ----------
    measurement : Measurement
        Of the photo that shows the limb best, with the fruit of all photos: those that it does
        not show are put where they must hang. Diameters are those of the best view, yellowing and
        on or off the limb by the vote of the photos, `count_range_n` counts hidden fruit in.
    photos : tuple of Measurement
        As given.
    base : int
        Which of them `measurement` stands on.
    fruit : tuple of int arrays
        For each photo the row in `measurement.fruitlets` of each of its marks; -1 for marks off
        the limb.
    """

    measurement: Measurement
    photos: tuple[Measurement, ...]
    base: int
    fruit: tuple[NDArray[np.int64], ...]

    def on_photo(self, number: int) -> Fruitlets:
        """The joined limb's fruit that this photo shows, where it shows them."""
        rows = self.fruit[number]
        here = self.photos[number].fruitlets.take(rows >= 0)
        whole = self.measurement.fruitlets.take(rows[rows >= 0])
        return here.with_columns(
            kind=whole.kind, on_limb=whole.on_limb, diameter_mm=whole.diameter_mm
        )

    @property
    def seen_on(self) -> NDArray[np.int64]:
        """On how many photos each fruit is."""
        rows = np.concatenate([r[r >= 0] for r in self.fruit])
        return np.bincount(rows, minlength=len(self.measurement.fruitlets))


def one_limb(pairing: Pairing, first_n: int, second_n: int) -> bool:
    """Whether two photos are believed to show one limb."""
    fewer = min(first_n, second_n)
    return fewer >= FEWEST_FRUIT and pairing.gain >= LEAST_GAIN * fewer


def join_photos(photos: Sequence[Measurement]) -> JoinedLimb:
    """Join two or more photos of a limb.

    Parameters
    ----------
    photos : sequence of Measurement
        Each with a limb that was found.

    Raises
    ------
    BadInputError
        For fewer than two photos, or one on which no limb was found.
    OtherLimbError
        When a photo does not look like the limb of any other.
    """
    if len(photos) < 2:
        raise BadInputError(f"photos must be at least two to be joined, got {len(photos)}")
    for photo in photos:
        if not photo.limb.found:
            raise BadInputError(f"{photo.name}: the limb must be found before it can be joined")
    rows = [np.flatnonzero(p.fruitlets.on_limb != 0) for p in photos]
    places = _places(photos, rows)
    pairings = {
        (i, j): pair_fruit(places[i], places[j]) for i, j in combinations(range(len(photos)), 2)
    }
    base = _base(photos, pairings, places)
    tracks = _tracks(pairings, [len(r) for r in rows])
    number = [np.full(len(p.fruitlets), -1) for p in photos]
    for (i, row), name in tracks.items():
        number[i][rows[i][row]] = name
    return _union(tuple(photos), base, _renumbered(number, base), pairings, places, rows)


def _places(photos: Sequence[Measurement], rows: Sequence[NDArray[np.int64]]) -> list[Places]:
    """Every photo's fruit in mm; a photo without a scale takes the others' limb length."""
    known = [p.limb.length_px / p.scale.px_per_mm for p in photos if p.scale.known]
    length = float(np.median(known)) if known else NOMINAL_MM
    return [
        places_of(
            replace(p, fruitlets=p.fruitlets.take(r)),
            p.scale.px_per_mm if p.scale.known else p.limb.length_px / length,
        )
        for p, r in zip(photos, rows, strict=True)
    ]


def _base(
    photos: Sequence[Measurement], pairings: dict[tuple[int, int], Pairing], places: list[Places]
) -> int:
    """The photo to stand on, once every photo is tied to it by pairs that are believed."""
    tied: dict[int, set[int]] = {i: {i} for i in range(len(photos))}
    for (i, j), pairing in pairings.items():
        if one_limb(pairing, len(places[i]), len(places[j])):
            both = tied[i] | tied[j]
            for k in both:
                tied[k] = both
    alone = next((i for i in tied if len(tied[i]) < len(photos)), None)
    if alone is not None:
        other = next(i for i in range(len(photos)) if i not in tied[alone])
        names = f"{photos[alone].name} and {photos[other].name}"
        raise OtherLimbError(f"{names}: these do not look like one limb")
    return max(
        range(len(photos)),
        key=lambda i: (photos[i].scale.known, not photos[i].limb.flags, len(places[i])),
    )


def _tracks(
    pairings: dict[tuple[int, int], Pairing], counts: list[int]
) -> dict[tuple[int, int], int]:
    """A number for each (photo, fruit): the surest pairs are joined first, one mark a photo."""
    label = {(p, r): (p, r) for p, n in enumerate(counts) for r in range(n)}
    groups = {key: [key] for key in label}
    links = [
        (float(chance), (i, int(r)), (j, int(c)))
        for (i, j), pairing in pairings.items()
        for r, c, chance in zip(pairing.first, pairing.second, pairing.chance, strict=True)
    ]
    for _, one, two in sorted(links, reverse=True):
        a, b = label[one], label[two]
        if a == b or {p for p, _ in groups[a]} & {p for p, _ in groups[b]}:
            continue
        for key in groups[b]:
            label[key] = a
        groups[a] += groups.pop(b)
    order = {name: k for k, name in enumerate(dict.fromkeys(label.values()))}
    return {key: order[name] for key, name in label.items()}


def _renumbered(number: list[NDArray[np.int64]], base: int) -> list[NDArray[np.int64]]:
    """The base photo's fruit come first, in their order."""
    others = [n for k, n in enumerate(number) if k != base]
    order = [int(v) for n in [number[base], *others] for v in n if v >= 0]
    new = {old: k for k, old in enumerate(dict.fromkeys(order))}
    return [np.array([new[int(v)] if v >= 0 else -1 for v in n], dtype=np.int64) for n in number]


def _union(
    photos: tuple[Measurement, ...],
    base: int,
    number: list[NDArray[np.int64]],
    pairings: dict[tuple[int, int], Pairing],
    places: list[Places],
    rows: list[NDArray[np.int64]],
) -> JoinedLimb:
    here = photos[base]
    count = 1 + max((int(n.max(initial=-1)) for n in number), default=-1)
    views: list[list[tuple[int, int]]] = [[] for _ in range(count)]
    for photo, numbers in enumerate(number):
        for row, k in enumerate(numbers):
            if k >= 0:
                views[k].append((photo, row))
    best = [max(v, key=lambda at: _shows(photos[at[0]].fruitlets, at[1])) for v in views]
    first = [next((at for at in v if at[0] == base), v[0]) for v in views]
    tables = [p.fruitlets for p in photos]
    columns = {
        name: [getattr(tables[p], name)[r] for p, r in first]
        for name in Fruitlets.__dataclass_fields__
    }
    columns["diameter_mm"] = [tables[p].diameter_mm[r] for p, r in best]
    columns["diameter_sd_mm"] = [tables[p].diameter_sd_mm[r] for p, r in best]
    columns["score"] = [max(tables[p].score[r] for p, r in v) for v in views]
    columns["kind"] = [_vote([int(tables[p].kind[r]) for p, r in v], Kind.FRUIT) for v in views]
    fruit = Fruitlets.from_columns(**columns)
    fruit = _moved(fruit, photos, base, first, pairings, places, rows)
    mine = np.flatnonzero(number[base] < 0)
    off = here.fruitlets.take(mine)
    seen = [len(v) for v in views]
    pair = pairings.get((0, 1)) if len(photos) == 2 else None
    likely = likely_range([len(r) for r in rows], pair.both_n if pair else 0.0, seen)
    whole = Fruitlets.from_columns(
        **{
            name: np.concatenate([getattr(fruit, name), getattr(off, name)])
            for name in Fruitlets.__dataclass_fields__
        }
    )
    number[base][mine] = count + np.arange(len(mine))
    joined = replace(here, fruitlets=whole, count_range_n=likely)
    return JoinedLimb(joined, photos, base, tuple(number))


def _shows(fruit: Fruitlets, row: int) -> tuple[float, float]:
    return float(np.nan_to_num(fruit.visible_frac[row])), float(fruit.score[row])


def _vote(values: list[int], tie: int) -> int:
    most = max(values.count(v) for v in values)
    first = [v for v in dict.fromkeys(values) if values.count(v) == most]
    return first[0] if len(first) == 1 else int(tie)


def _moved(
    fruit: Fruitlets,
    photos: tuple[Measurement, ...],
    base: int,
    first: list[tuple[int, int]],
    pairings: dict[tuple[int, int], Pairing],
    places: list[Places],
    rows: list[NDArray[np.int64]],
) -> Fruitlets:
    """Fruit that the base photo does not show, put where they must hang on it."""
    here = photos[base]
    px_per_mm = here.limb.length_px / places[base].length_mm
    x, y, r = fruit.x_px.copy(), fruit.y_px.copy(), fruit.r_px.copy()
    for photo in range(len(photos)):
        which = [k for k, at in enumerate(first) if at[0] == photo]
        if photo == base or not which:
            continue
        at = np.searchsorted(rows[photo], [first[k][1] for k in which])
        along, aside = _on_base(pairings, places, photo, base)
        point = _off_line(here.limb.line_px, along[at] * px_per_mm, aside[at] * px_per_mm)
        x[which], y[which] = point.T
        other = photos[photo].limb.length_px / places[photo].length_mm
        r[which] = fruit.r_px[which] * px_per_mm / other
    along, offset = nearest_on_line(here.limb.line_px, x, y)
    moved = np.array([p != base for p, _ in first])
    mm = here.scale.mm_per_px if here.scale.known else np.nan
    out = fruit.with_columns(
        x_px=x,
        y_px=y,
        r_px=r,
        along_px=np.where(moved, along, fruit.along_px),
        along_mm=np.where(moved, along * mm, fruit.along_mm),
        offset_px=np.where(moved, offset, fruit.offset_px),
        shoot=np.where(moved, -1, fruit.shoot),
    )
    gap = 0.5 * float(np.median(r)) if len(r) else 0.0
    return out.with_columns(cluster=cluster_numbers(out, gap))


def _on_base(
    pairings: dict[tuple[int, int], Pairing], places: list[Places], photo: int, base: int
) -> tuple[FloatArray, FloatArray]:
    """Where the fruit of a photo stand along and beside the limb of the base photo."""
    forward = pair_fruit(places[photo], places[base]) if photo > base else pairings[photo, base]
    if forward.stand is None:
        share = places[base].length_mm / places[photo].length_mm
        return places[photo].along_mm * share, places[photo].aside_mm
    b = places[base].reversed if forward.swapped else places[base]
    along, aside, _ = seen_on_second(places[photo], b, forward.stand)
    return (b.length_mm - along, -aside) if forward.swapped else (along, aside)


def _off_line(line_px: FloatArray, along_px: FloatArray, aside_px: FloatArray) -> FloatArray:
    ahead, behind = (point_on_line(line_px, along_px + d) for d in (2.0, -2.0))
    way = ahead - behind
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    side = np.stack([-way[:, 1], way[:, 0]], 1)
    return np.asarray(point_on_line(line_px, along_px) + aside_px[:, None] * side)
