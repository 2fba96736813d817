"""Several photos of one limb made into one limb: each fruit once, with the photos it is on."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np

from fruitcount.errors import BadInputError, FruitcountError, OtherLimbError
from fruitcount.limb.position import cluster_numbers
from fruitcount.lines import nearest_on_line, point_on_line
from fruitcount.tree.both_sides import BothSides, SidePair
from fruitcount.types import FloatArray, Fruitlets, IntArray, Kind, Measurement
from fruitcount.views.hidden import agreeing, both_ways, likely_fruit, real_chances
from fruitcount.views.match import Pairing, assigned, own_chance, pair_fruit, pair_through
from fruitcount.views.places import NOMINAL_MM, Places, places_of

LEAST_N, OF_MARKS, OF_AGREEING = 1.7, 0.2, 1.2
"""Fruit likely on both from which two photos are believed to show one limb: so many, and a share of
the marks on both together; fewer where the searches from either photo agree. Fitted on drawn
limbs."""

LEAST_GAIN, GAIN_A_FRUIT = 8.0, 1.25
"""And the log likelihood won, the more, the more fruit the photo with fewer shows: limbs whose
fruit hang at even distances fit each other by chance."""

FEWEST_FRUIT = 5
"""On either photo; fewer do not tell one limb from another."""

SURE_CHANCE = 0.5
"""Two marks at least so likely to be one fruit are joined. Higher parts more fruit that are the
same."""

NO_FRUIT_CHANCE = 0.3
"""A mark that is less likely than this to be a fruit, as no other photo shows it, is left out."""


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
    likely_n : float
        How many fruit hang there in all, yellowing and hidden ones too.
    """

    measurement: Measurement
    photos: tuple[Measurement, ...]
    base: int
    fruit: tuple[IntArray, ...]
    likely_n: float = float("nan")

    @property
    def seen_on(self) -> IntArray:
        """On how many photos each fruit is."""
        rows = np.concatenate([r[r >= 0] for r in self.fruit])
        return np.bincount(rows, minlength=len(self.measurement.fruitlets))

    @property
    def on_both(self) -> IntArray:
        """Which fruit are on the first photo and on the second."""
        same = np.intersect1d(self.fruit[0], self.fruit[1])
        return same[same >= 0]

    @property
    def own_seen_on(self) -> IntArray:
        """The same of the limb's own fruit alone, yellowing ones too."""
        return np.asarray(self.seen_on[self.measurement.fruitlets.on_limb != 0], np.int64)


def one_limb(pairing: Pairing) -> bool:
    """Whether two photos are believed to show one limb."""
    marks = pairing.chance.shape
    least = LEAST_N + OF_MARKS * sum(marks) - OF_AGREEING * pairing.agree_frac
    gain = LEAST_GAIN + GAIN_A_FRUIT * min(marks)
    return float(pairing.chance.sum()) >= least and pairing.gain >= gain


def join_photos(
    photos: Sequence[Measurement],
    *,
    every: bool = True,
    told: Mapping[tuple[int, int], IntArray] | None = None,
) -> JoinedLimb:
    """Join two or more photos of a limb.

    Parameters
    ----------
    photos : sequence of Measurement
        Each with a limb that was found.
    every : bool
        False leaves out those that do not look like the limb of any other, where two do.
    told : mapping, optional
        Two photos' numbers to the rows, shape (K, 2), of their marks that are said to be one fruit:
        those and no others then are.

    Raises
    ------
    BadInputError
        For fewer than two photos, or one on which no limb was found.
    OtherLimbError
        When a photo does not look like the limb of any other.
    """
    if not every:
        photos = [photo for photo in photos if photo.limb.found]
    if len(photos) < 2:
        raise BadInputError(f"photos must be at least two to be joined, got {len(photos)}")
    for photo in photos:
        if not photo.limb.found:
            raise BadInputError(f"{photo.name}: the limb must be found before it can be joined")
    rows = [np.flatnonzero(p.fruitlets.on_limb != 0) for p in photos]
    places, counts = _places(photos, rows), [len(r) for r in rows]
    base = max(
        range(len(photos)),
        key=lambda i: (photos[i].scale.known, not photos[i].limb.flags, counts[i]),
    )
    order = [i for i in range(len(photos)) if i != base] + [base]
    tried, pairings = _pairings(order, places, _told(told or {}, rows))
    tied = _tied(len(photos), pairings)
    if len(most := max(tied, key=len)) < len(photos):
        if every or len(most) < 2:
            raise OtherLimbError(_unlike(photos, tied, counts))
        return join_photos([photos[i] for i in sorted(most)])
    if not told:
        pairings = _by_thirds(tried, pairings, places)
    chances = {at: pairing.chance for at, pairing in pairings.items()}
    real = real_chances([own_chance(one.sure) for one in places], chances)
    likely, low, high = likely_fruit([float(one.sum()) for one in real], chances)
    number = [np.full(len(p.fruitlets), -1) for p in photos]
    tracks = _tracks(order[::-1], agreeing(chances), real, max(round(likely), 1))
    for name, track in enumerate(tracks):
        for at, row in track:
            number[at][rows[at][row]] = name
    fruit = _union(photos, base, number)
    fruit = _moved(
        fruit, photos, base, number, _on_base(pairings, places, photos[base], base), rows
    )
    off = np.flatnonzero(number[base] < 0)
    number[base][off] = len(fruit) + np.arange(len(off))
    others = photos[base].fruitlets.take(off)
    whole = replace(
        photos[base],
        fruitlets=fruit.joined(others.with_columns(on_limb=0 * others.on_limb)),
        count_range_n=(low, high),
    )
    return JoinedLimb(whole, tuple(photos), base, tuple(number), likely)


def joined_sides(
    joined: Mapping[SidePair, JoinedLimb | None],
) -> tuple[tuple[BothSides, ...], tuple[str, ...]]:
    """The counts of limbs whose photos from both sides could be joined, and words on them.

    Parameters
    ----------
    joined : mapping
        Pairs of which nobody told how many fruit are on both, as :func:`joined_pair` has them.
    """
    found = []
    for pair, limb in joined.items():
        if limb is not None:
            fruit, most = limb.measurement.fruitlets, pair.most_both_n
            both = min(int(fruit.counts_as_crop[limb.on_both].sum()), most)
            crop = fruit.counts_as_crop.sum() / max((fruit.on_limb != 0).sum(), 1)
            low, high = limb.measurement.count_range_n
            joined_n = float(crop * limb.likely_n), float(crop * low), float(crop * high)
            found.append(BothSides(pair.limb, pair.front_n, pair.back_n, both, joined_n))
    words = (
        f"Limb {limb.limb}: {limb.both_n} fruit recognised on both sides by their places (tried on "
        "drawn limbs only): type that number if you can tell better."
        for limb in found
    )
    return tuple(found), tuple(words)


def joined_pair(
    pair: SidePair,
    measured: Callable[[int], Measurement | None],
    marks: Sequence[Sequence[float]] | None = None,
) -> JoinedLimb | None:
    """The limb of two sides and its other photos; None where the sides cannot be joined.

    `marks` are places of fruit that somebody paired: x and y on the front, then on the back.
    """
    front, back, *more = map(measured, (pair.front_id, pair.back_id, *pair.more_ids))
    if front is None or back is None:
        return None
    told = {}
    if marks is not None:
        told[0, 1] = _rows_at((front, back), np.asarray(marks, float).reshape(-1, 4))
    for others in ([one for one in more if one is not None], []):
        with suppress(FruitcountError):
            return join_photos([front, back, *others], told=told)
    return None


def _rows_at(photos: Sequence[Measurement], marks: FloatArray) -> IntArray:
    """Rows (K, 2) of the marks at these places; places without a mark any more are passed over."""
    rows, near = [], np.ones(len(marks), bool)
    for photo, at in zip(photos, (marks[:, :2], marks[:, 2:]), strict=True):
        f = photo.fruitlets
        away = np.hypot(f.x_px - at[:, :1], f.y_px - at[:, 1:])
        rows.append(away.argmin(1))
        near &= away.min(1) < 0.5 * f.r_px[rows[-1]]
    return np.stack(rows, 1)[near]


def _px_per_mm(photos: Sequence[Measurement], number: int) -> float:
    """A photo's scale; one without takes the others' limb length."""
    scale, length_px = photos[number].scale, photos[number].limb.length_px
    if scale.known:
        return scale.px_per_mm
    known = [p.limb.length_px / p.scale.px_per_mm for p in photos if p.scale.known]
    return length_px / (float(np.median(known)) if known else NOMINAL_MM)


def _places(photos: Sequence[Measurement], rows: Sequence[IntArray]) -> list[Places]:
    return [
        places_of(replace(p, fruitlets=p.fruitlets.take(r)), _px_per_mm(photos, k))
        for k, (p, r) in enumerate(zip(photos, rows, strict=True))
    ]


def _told(
    told: Mapping[tuple[int, int], IntArray], rows: Sequence[IntArray]
) -> dict[tuple[int, int], FloatArray]:
    """What is told of two photos, either first, as chances of their marks on the limb."""
    out = {}
    for (i, j), pairs in told.items():
        same = pairs[np.isin(pairs[:, 0], rows[i]) & np.isin(pairs[:, 1], rows[j])]
        out[i, j] = np.zeros((len(rows[i]), len(rows[j])))
        out[i, j][tuple(np.searchsorted(rows[p], same[:, k]) for k, p in enumerate((i, j)))] = 1
    return both_ways(out)


def _pairings(
    order: Sequence[int], places: Sequence[Places], told: Mapping[tuple[int, int], FloatArray]
) -> tuple[dict[tuple[int, int], Pairing], ...]:
    """Those that were tried, and of them those that are told or believed."""
    tried, good = {}, {}
    for i, j in combinations(order, 2):
        if (i, j) not in told and min(len(places[i]), len(places[j])) < FEWEST_FRUIT:
            continue
        one = tried[i, j] = pair_fruit(places[i], places[j])
        if (i, j) in told:
            good[i, j] = Pairing(told[i, j], ways=one.ways, back=one.back)
        elif one_limb(one):
            good[i, j] = one
    return tried, good


def _tied(photos_n: int, pairings: dict[tuple[int, int], Pairing]) -> list[set[int]]:
    """For each photo those that pairings which are believed tie to it, itself among them."""
    tied = [{i} for i in range(photos_n)]
    for i, j in pairings:
        both = tied[i] | tied[j]
        for k in both:
            tied[k] = both
    return tied


def _unlike(photos: Sequence[Measurement], tied: list[set[int]], counts: list[int]) -> str:
    """Which two photos are not tied, and why."""
    alone = min(range(len(photos)), key=lambda i: len(tied[i]))
    other = next(i for i in range(len(photos)) if i not in tied[alone])
    few = min(counts[alone], counts[other])
    why = "these do not look like one limb, or could not be joined surely"
    if few < FEWEST_FRUIT:
        why = f"{few} fruit on one of them are too few to join them surely"
    return f"{photos[alone].name} and {photos[other].name}: {why}"


def _by_thirds(
    tried: Mapping[tuple[int, int], Pairing],
    believed: Mapping[tuple[int, int], Pairing],
    places: Sequence[Places],
) -> dict[tuple[int, int], Pairing]:
    """The pairings, with those of photos that a third one ties, the way over it tried too."""
    out = dict(believed)
    both = {**believed, **{(j, i): pairing.swapped for (i, j), pairing in believed.items()}}
    for (i, j), k in product(tried, range(len(places))):
        if (k, i) in both and (k, j) in both:
            three = places[i], places[j], places[k]
            out[i, j] = pair_through(out.get((i, j), tried[i, j]), three, both[k, i], both[k, j])
    return out


def _tracks(
    order: Sequence[int],
    chances: Mapping[tuple[int, int], FloatArray],
    real: Sequence[FloatArray],
    most_n: int,
) -> list[list[tuple[int, int]]]:
    """The (photo, row) marks of each fruit, one a photo; those of the photo named first lead.

    Of marks that are joined to no other photo's, those are left out that are hardly a fruit, and
    the ones likeliest to be another's fruit where there are more than hang there.
    """
    chances = both_ways(chances)
    out: list[list[tuple[int, int]]] = []
    alone: list[float] = []
    for photo in order:
        same = np.zeros((len(out), len(real[photo])))
        for k, track in enumerate(out):
            for other, row in track:
                if (other, photo) in chances:
                    same[k] = 1 - (1 - same[k]) * (1 - chances[other, photo][row])
        tracks, found = assigned(same - SURE_CHANCE)
        for k, row in zip(tracks.tolist(), found.tolist(), strict=True):
            out[k].append((photo, row))
        new = sorted(set(range(len(real[photo]))) - {*found.tolist()})
        out += [[(photo, row)] for row in new]
        alone += list(real[photo][new] * (1 - same[:, new].max(axis=0, initial=0)))
    sure = [1 + len(t) if len(t) > 1 else own for t, own in zip(out, alone, strict=True)]
    best = sorted(np.argsort(-np.array(sure), kind="stable")[:most_n])
    return [
        t
        for t in map(out.__getitem__, best)
        if len(t) > 1 or real[t[0][0]][t[0][1]] >= NO_FRUIT_CHANCE
    ]


def _views(number: list[IntArray], base: int) -> list[list[tuple[int, int]]]:
    """For each fruit its (photo, row) marks, the base photo's first."""
    out: dict[int, list[tuple[int, int]]] = {}
    for photo in sorted(range(len(number)), key=lambda p: p != base):
        for row, k in enumerate(number[photo].tolist()):
            if k >= 0:
                out.setdefault(k, []).append((photo, row))
    return [out[k] for k in sorted(out)]


def _union(photos: Sequence[Measurement], base: int, number: list[IntArray]) -> Fruitlets:
    """Each fruit once, as its first photo has it; size of the best view, kind by the vote."""
    views = _views(number, base)
    tables = [p.fruitlets for p in photos]
    best = [max(v, key=lambda at: _shows(tables[at[0]], at[1])) for v in views]
    columns = {
        name: [getattr(tables[p], name)[r] for p, r in (v[0] for v in views)]
        for name in Fruitlets.__dataclass_fields__
    }
    for name in ("diameter_mm", "diameter_sd_mm"):
        columns[name] = [getattr(tables[p], name)[r] for p, r in best]
    columns["score"] = [max(tables[p].score[r] for p, r in v) for v in views]
    columns["kind"] = [_vote([int(tables[p].kind[r]) for p, r in v], Kind.FRUIT) for v in views]
    return Fruitlets.from_columns(**columns)


def _shows(fruit: Fruitlets, row: int) -> tuple[float, float]:
    return float(np.nan_to_num(fruit.visible_frac[row])), float(fruit.score[row])


def _vote(values: list[int], tie: int) -> int:
    most = max(values.count(v) for v in values)
    first = [v for v in dict.fromkeys(values) if values.count(v) == most]
    return first[0] if len(first) == 1 else int(tie)


def _on_base(
    pairings: dict[tuple[int, int], Pairing], places: list[Places], base: Measurement, at: int
) -> dict[int, FloatArray]:
    """Where the fruit of each other photo are in the base photo's picture, in px."""
    out = {}
    px_per_mm = base.limb.length_px / places[at].length_mm
    middle = np.array([base.width_px - 1, base.height_px - 1]) / 2
    for photo in set(range(len(places))) - {at}:
        pairing = pairings.get((photo, at))
        if pairing is None or not pairing.ways:  # tied to it over others only
            along_px = places[photo].along_mm * base.limb.length_px / places[photo].length_mm
            out[photo] = point_on_line(base.limb.line_px, along_px)
        else:
            seen = pairing.ways[0][1].seen(places[photo], places[at])[0]
            out[photo] = seen * px_per_mm + middle
    return out


def _moved(
    fruit: Fruitlets,
    photos: Sequence[Measurement],
    base: int,
    number: list[IntArray],
    on_base: dict[int, FloatArray],
    rows: list[IntArray],
) -> Fruitlets:
    """Fruit that the base photo does not show, put where they must hang on it."""
    limb, scale = photos[base].limb, photos[base].scale
    first = [v[0] for v in _views(number, base)]
    x, y, r = fruit.x_px.copy(), fruit.y_px.copy(), fruit.r_px.copy()
    for photo, point in on_base.items():
        which = [k for k, at in enumerate(first) if at[0] == photo]
        x[which], y[which] = point[np.searchsorted(rows[photo], [first[k][1] for k in which])].T
        r[which] *= _px_per_mm(photos, base) / _px_per_mm(photos, photo)
    along, offset = nearest_on_line(limb.line_px, x, y)
    moved = np.array([p != base for p, _ in first])
    mm = scale.mm_per_px if scale.known else np.nan
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
