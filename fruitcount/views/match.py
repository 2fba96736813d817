"""Which fruit of two photos are the same: how the limb stood to each lens, then pairs by place."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from fruitcount.types import FloatArray
from fruitcount.views.places import Places


@dataclass(frozen=True)
class Spread:
    """How far one fruit's values differ between two photos; fitted on renders.

    Attributes
    ----------
    place_mm : float
        Standard deviation of a place on the second photo, where depth does not matter. Larger
        joins more.
    depth_mm : float
        How far fruit stand off the limb towards the lens or away, which a photo does not show.
    size_frac : float
        Of the ratio of diameters.
    yellow_differs : float
        Chance that one fruit is told yellowing on one photo only.
    same_log_odds : float
        Of a fruit seen on one photo to be found on the other. Larger joins more.
    far_frac : float
        Share of pairs three times as far apart: a fruit's hidden part moves its mark.
    stretch_frac : float
        Of the ratio of two photos' limb lengths: scale, ends of the line. Larger takes limbs of
        more different length for one.
    """

    place_mm: float = 3.0
    depth_mm: float = 11.0
    size_frac: float = 0.12
    yellow_differs: float = 0.1
    same_log_odds: float = 1.6
    far_frac: float = 0.1
    stretch_frac: float = 0.1


@dataclass(frozen=True)
class Stand:
    """How two photos stood to a limb; inside this module also arrays of such values.

    Attributes
    ----------
    tilt_first, tilt_second : float, radians
        How far the limb's tip leans away from the picture.
    turn : float, radians
        Round the limb from one photo to the other: 0 from one stand, pi from behind.
    shift_mm, stretch : float
        Of the axis along the limb, what the line and the scale get wrong.
    bend : float
        Rest of it that grows with the square of the distance from the middle (mm at 100 mm).
    rise_mm : float
        Of the line aside.
    """

    tilt_first: float
    tilt_second: float
    turn: float
    shift_mm: float
    stretch: float
    bend: float = 0.0
    rise_mm: float = 0.0

    def values(self) -> FloatArray:
        """All of them, as the fit moves them."""
        return np.array(list(vars(self).values()))


@dataclass(frozen=True, eq=False)
class Pairing:
    """Fruit of two photos joined.

    Attributes
    ----------
    first, second : int arrays, shape (K,)
        Rows of the fruit joined.
    chance : float array, shape (K,)
        0 to 1, that the two are one fruit.
    swapped : bool
        The limb's ends are swapped on the second photo.
    gain : float
        Log likelihood won over "no fruit in common".
    stand : Stand or None
    """

    first: NDArray[Any]
    second: NDArray[Any]
    chance: FloatArray
    swapped: bool
    gain: float
    stand: Stand | None

    def __len__(self) -> int:
        return len(self.first)


_STRETCHES = (0.94, 1.0, 1.06)
_SHIFT_STEP_MM = 8.0
_SWAPPED_LOG_ODDS = -3.0  # the finder swaps base and tip on about one photo in twenty
_TRIES, _ROUNDS = 12, 6
_DRAWN, _CELLS = 12_000, 120
_FAR_ODDS = 6.0
# Pairs less likely than the second are not even possible ones.
_TEMPER, _LEAST_CHANCE = 1.5, 0.2
# How far each value of a Stand may well lie from where the search put it.
_HOLD = np.array([0.15, 0.15, 0.2, 30.0, 0.06, 0.4, 4.0])
_STEP = np.array([0.01, 0.01, 0.01, 1.0, 0.005, 0.05, 0.5])


def pair_fruit(first: Places, second: Places, spread: Spread | None = None) -> Pairing:
    """Join the fruit of two photos one to one; the gain is the less of both ways round.

    Another limb that fits by chance seldom fits both ways: where 97 of 100 wrong pairs of drawn
    limbs are refused, 87 of 100 right ones are taken, by one way alone 62.
    """
    there, back = (_one_way(a, b, spread) for a, b in ((first, second), (second, first)))
    return replace(there, gain=min(there.gain, back.gain))


def _one_way(first: Places, second: Places, spread: Spread | None) -> Pairing:
    """Join the fruit of two photos by place, size and colour, from the first to the second.

    How the limb stood to each lens is searched, the best of it refined by least squares on the
    pairs that it gives. Where several ways explain the photos about as well, a pair's chance is
    its mean over them.
    """
    how = spread or Spread()
    none = np.zeros(0, int)
    ways: list[tuple[float, bool, Stand, FloatArray]] = []
    if len(first) and len(second):
        for swapped in (False, True):
            other = second.reversed if swapped else second
            fixed = _fixed(first, other, how)
            extra = _SWAPPED_LOG_ODDS if swapped else 0.0
            for odds, start in _starts(first, other, fixed, how):
                gain, stand, chance = _refined(first, other, start, fixed, how)
                ways.append((gain + extra + odds, swapped, stand, chance))
    if not ways:
        return Pairing(none, none, np.zeros(0), False, 0.0, None)
    gains = np.array([way[0] for way in ways])
    best = int(gains.argmax())
    weight = np.exp((gains - gains[best]) / _TEMPER)
    chance = np.tensordot(weight / weight.sum(), np.stack([way[3] for way in ways]), 1)
    rows, cols = linear_sum_assignment(-np.maximum(chance - _LEAST_CHANCE, 0))
    good = chance[rows, cols] > _LEAST_CHANCE
    rows, cols = rows[good], cols[good]
    _, swapped, stand, _ = ways[best]
    return Pairing(rows, cols, chance[rows, cols], swapped, float(gains[best]), stand)


def seen_on_second(
    a: Places, b: Places, s: Stand, depth_mm: float = 0.0
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Where fruit of the first photo stand on the second: along, aside, and how much larger.

    A straight limb before two pinhole cameras; ``depth_mm`` is how far behind the limb the fruit
    are as the first photo looks. All three are of shape (N,), one a fruit of the first photo.
    """
    half_a, half_b = a.length_mm / 2, b.length_mm / 2
    u, da, db = a.along_mm - half_a, a.distance_mm, b.distance_mm
    sin_a, cos_a = np.sin(s.tilt_first), np.cos(s.tilt_first)
    sin_b, cos_b = np.sin(s.tilt_second), np.cos(s.tilt_second)
    off = depth_mm
    along = (u * (1 + off * cos_a / da) + off * sin_a) / np.maximum(cos_a - u * sin_a / da, 0.2)
    depth = np.maximum(1 + (along * sin_a + off * cos_a) / da, 0.3)
    out = a.aside_mm * depth
    turned = out * np.cos(s.turn) - off * np.sin(s.turn)
    behind = out * np.sin(s.turn) + off * np.cos(s.turn)
    along = s.stretch * along + s.shift_mm + s.bend * (along / 100) ** 2
    far = np.maximum(1 + (along * sin_b + behind * cos_b) / db, 0.3)
    return (
        (along * cos_b - behind * sin_b) / far + half_b,
        turned / far + s.rise_mm,
        depth / far,
    )


def _with_depth(a: Places, b: Places, s: Stand) -> tuple[FloatArray, ...]:
    """:func:`seen_on_second`, and how along and aside move with each mm of depth."""
    along, aside, larger = seen_on_second(a, b, s)
    near, near_aside, _ = seen_on_second(a, b, s, 5.0)
    return along, aside, larger, (near - along) / 5.0, (near_aside - aside) / 5.0


def _ends_mm(p: Places, tilt: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where the limb so tilted begins and ends, from the point in the picture's middle of it."""
    ends = np.array([-1, 1]) * p.length_mm / 2
    base, tip = (
        ends / np.maximum(np.cos(tilt)[:, None] - ends * np.sin(tilt)[:, None] / p.distance_mm, 0.2)
    ).T
    return base, tip


def stands_by_chance(heading_first: float, heading_second: float) -> list[tuple[float, Stand]]:
    """Stands that give the limb these headings on two photos held upright, with log odds.

    Drawn anew each time from one seed: pitch of either camera, yaw between them, lean of the
    limb. What people do with a phone is our guess: mostly level, held within a few degrees.
    """
    rng = np.random.default_rng(1)
    n = _DRAWN
    level = rng.normal(-5, 13, (2, n))
    pitch = np.deg2rad(np.where(rng.random((2, n)) < 0.25, rng.uniform(-60, 60, (2, n)), level))
    yaw = rng.uniform(-np.pi, np.pi, n)
    tilt = np.deg2rad(rng.normal(0, 17, n))
    roll = np.deg2rad(rng.normal(0, 4, (2, n)))
    first, second = _axes(0 * yaw, pitch[0], roll[0]), _axes(yaw, pitch[1], roll[1])
    flat = np.cos(heading_first) * first[0] + np.sin(heading_first) * first[1]
    down = np.sin(heading_first) * first[0] - np.cos(heading_first) * first[1]
    limb = np.cos(tilt) * flat + np.sin(tilt) * first[2]
    behind = -np.sin(tilt) * flat + np.cos(tilt) * first[2]
    x, y, away = ((limb * axis).sum(0) for axis in second)
    wrong = np.angle(np.exp(1j * (np.arctan2(y, x) - heading_second)))
    weight = np.exp(-0.5 * (wrong / np.deg2rad(7)) ** 2) * (np.hypot(x, y) > 0.45)
    down_second = (y * second[0] - x * second[1]) / np.maximum(np.hypot(x, y), 1e-6)
    turn = np.arctan2(-(down_second * behind).sum(0), (down_second * down).sum(0))
    lean = np.arcsin(np.clip(away, -1, 1))
    cells: dict[tuple[int, ...], list[int]] = {}
    marks = np.stack([tilt, lean, turn]) / np.deg2rad([[12], [12], [20]])
    for k in np.flatnonzero(weight > 0.05).tolist():
        cells.setdefault(tuple(np.round(marks[:, k]).astype(int)), []).append(k)
    out = []
    for rows in cells.values():
        w = weight[rows]
        angle = float(np.angle((w * np.exp(1j * turn[rows])).sum()))
        tilted, leant = (float(np.average(v[rows], weights=w)) for v in (tilt, lean))
        stand = Stand(tilted, leant, angle, 0.0, 1.0)
        out.append((float(np.log(w.sum() / weight.sum())), stand))
    out.sort(key=lambda each: -each[0])
    return out[:_CELLS]


def _axes(yaw: FloatArray, pitch: FloatArray, roll: FloatArray) -> tuple[FloatArray, ...]:
    """Right, up and forward of cameras, each of shape (3, N)."""
    zero = np.zeros_like(yaw)
    forward = np.stack([np.cos(pitch) * np.cos(yaw), np.cos(pitch) * np.sin(yaw), np.sin(pitch)])
    right = np.stack([np.sin(yaw), -np.cos(yaw), zero])
    up = np.cross(right, forward, axis=0)
    turned = np.cos(roll) * right + np.sin(roll) * up
    return turned, np.cos(roll) * up - np.sin(roll) * right, forward


def _starts(a: Places, b: Places, fixed: FloatArray, how: Spread) -> list[tuple[float, Stand]]:
    """The best stands of those a photographer may well have taken, apart from each other."""
    reach = 0.08 * b.length_mm + 16
    moves = np.arange(-reach, reach + 1, _SHIFT_STEP_MM)
    likely = stands_by_chance(a.heading, b.heading)
    values = np.array([s.values() for _, s in likely]).reshape(-1, 7)
    odds = np.array([odds for odds, _ in likely])
    base_a, tip_a = _ends_mm(a, values[:, 0])
    base_b, tip_b = _ends_mm(b, values[:, 1])
    same = (tip_b - base_b) / (tip_a - base_a)
    good = (same > 0.5) & (same < 2)
    n = len(_STRETCHES)
    values, odds = np.repeat(values[good], n, 0), np.repeat(odds[good], n)
    values[:, 4] = np.repeat(same[good], n) * np.tile(_STRETCHES, int(good.sum()))
    odds = odds - np.minimum(0.5 * (np.log(values[:, 4]) / how.stretch_frac) ** 2, _FAR_ODDS)
    middle_a, middle_b = (np.repeat(v[good], n) / 2 for v in (base_a + tip_a, base_b + tip_b))
    values[:, 3] = middle_b - values[:, 4] * middle_a
    gains = _coarse(a, b, values, moves, fixed, 1.7 * how.place_mm, how.depth_mm)
    values[:, 3] += moves[gains.argmax(1)]
    order = np.argsort(-(gains.max(1) + odds))
    out: list[tuple[float, Stand]] = []
    for k in order.tolist():
        s = Stand(*map(float, values[k]))
        if all(_apart(s, t) for _, t in out):
            out.append((float(odds[k]), s))
        if len(out) == _TRIES:
            break
    return out


def _apart(s: Stand, t: Stand) -> bool:
    turn = abs(np.angle(np.exp(1j * (s.turn - t.turn))))
    return bool(
        turn > 0.4
        or abs(s.shift_mm - t.shift_mm) > 20
        or abs(s.tilt_second - t.tilt_second) > 0.3
        or abs(s.tilt_first - t.tilt_first) > 0.3
    )


def _coarse(
    a: Places,
    b: Places,
    values: FloatArray,
    shifts: FloatArray,
    fixed: FloatArray,
    place_mm: float,
    depth_mm: float,
) -> FloatArray:
    """For each stand (K, 7) and shift what the best partner of each fruit explains."""
    along, aside, _, ka, kb = _with_depth(a, b, Stand(*list(values.T[:, :, None])))
    v, w = place_mm**2, depth_mm**2
    size = np.log(v) + 0.5 * np.log1p(w / v * (ka**2 + kb**2))
    share = w / (v + w * (ka**2 + kb**2))
    y = (b.aside_mm - aside[..., None]).astype(np.float32)
    x0 = (b.along_mm - along[..., None]).astype(np.float32)
    usual = np.log(max(b.length_mm, 1.0)) + np.log(np.hypot(float(np.std(b.aside_mm)), place_mm))
    flat = ((fixed + usual - 0.919)[None] - size[..., None]).astype(np.float32)
    shared, ka32, kb32 = (t.astype(np.float32)[..., None] for t in (share, ka, kb))
    out = np.empty((len(values), len(shifts)))
    move = np.cos(values[:, 1]).astype(np.float32)[:, None, None]
    for k, shift in enumerate(shifts):
        x = x0 - np.float32(shift) * move
        z2 = x**2 + y**2 - shared * (ka32 * x + kb32 * y) ** 2
        gain = np.maximum(flat - z2 * np.float32(0.5 / v), 0)
        out[:, k] = np.minimum(gain.max(2).sum(1), gain.max(1).sum(1))
    return out


def _heavy(z2: Any, far: float) -> Any:
    """Log density of squared deviates in the plane, a share `far` of them three times as wide."""
    return np.log((1 - far) * np.exp(-0.5 * z2) + far / 9 * np.exp(-z2 / 18) + 1e-12)


def _place_gain(a: Places, b: Places, s: Stand, how: Spread) -> FloatArray:
    """Log odds of each pair by place and size; fruit of no pair lie anywhere along the limb."""
    along, aside, larger, ka, kb = (v[:, None] for v in _with_depth(a, b, s))
    x, y = b.along_mm[None] - along, b.aside_mm[None] - aside
    v, w = how.place_mm**2, how.depth_mm**2
    # covariance v I + w k k': its inverse by Sherman and Morrison
    share = w / (v + w * (ka**2 + kb**2))
    z2 = (x**2 + y**2 - share * (ka * x + kb * y) ** 2) / v
    size = np.log(v) + 0.5 * np.log1p(w / v * (ka**2 + kb**2))
    usual = np.hypot(float(np.std(b.aside_mm)), how.place_mm)
    chance = (
        -np.log(max(b.length_mm, 1.0))
        - np.log(usual)
        + 0.919
        - 0.5 * (b.aside_mm[None] / usual) ** 2
    )
    place = _heavy(z2, how.far_frac) - size - np.maximum(chance, -np.log(b.length_mm * 200))
    return np.asarray(place + _size_gain(a, b, larger[:, 0], how))


def _fixed(a: Places, b: Places, how: Spread) -> FloatArray:
    """What colour says of each pair, and how usual it is to see a fruit twice."""
    share = float(np.clip(np.mean(b.yellow), 0.03, 0.5))
    same = a.yellow[:, None] == b.yellow[None]
    miss, mine = how.yellow_differs, np.where(b.yellow, share, 1 - share)[None]
    colour = np.log(np.where(same, 1 - miss, miss) / np.where(same, mine, 1 - mine))
    # each fruit of the second photo is as likely as another to be the one
    return np.asarray(colour.clip(-2, 1.5) + how.same_log_odds - np.log(len(b)))


def _size_gain(a: Places, b: Places, larger: FloatArray, how: Spread) -> FloatArray:
    """Log odds by size; `larger` is how much nearness enlarges each fruit on the second photo."""
    ratio = np.log(b.size_mm[None] / (a.size_mm * larger)[:, None])
    ratio = ratio - np.log(np.nanmedian(b.size_mm) / np.nanmedian(a.size_mm * larger))
    usual = np.hypot(how.size_frac, float(np.nanstd(np.log(b.size_mm))) + 0.05)
    gain = 0.5 * ratio**2 * (usual**-2 - how.size_frac**-2) + np.log(usual / how.size_frac)
    return np.asarray(np.nan_to_num(gain).clip(-4, 2))


def _refined(
    a: Places, b: Places, s: Stand, fixed: FloatArray, how: Spread
) -> tuple[float, Stand, FloatArray]:
    """What a stand explains once fitted, the stand, and each pair's chance by it."""
    start = s
    for k in range(_ROUNDS):
        wide = replace(how, place_mm=how.place_mm * (2.0, 1.5, 1.2, 1, 1, 1)[k])
        score = fixed + _place_gain(a, b, s, wide)
        rows, cols = linear_sum_assignment(-np.maximum(score, 0))
        good = score[rows, cols] > 0
        rows, cols = rows[good], cols[good]
        if len(rows) < 2 or k == _ROUNDS - 1:
            break
        s = _fitted(a, b, (rows, cols), s, start, how)
    gain = float(score[rows, cols].sum()) - 0.5 * float(
        (((s.values() - start.values()) / _HOLD) ** 2).sum()
    )
    weight = np.exp(np.minimum(score, 50))
    rivals = weight.sum(1)[:, None] + weight.sum(0)[None] - weight
    return gain, s, weight / (rivals + 1)


def _fitted(a: Places, b: Places, pairs: Any, s: Stand, start: Stand, how: Spread) -> Stand:
    """One step of least squares on the pairs, each value held near where the search put it."""
    rows, cols = pairs

    def rest(values: FloatArray) -> FloatArray:
        along, aside, _, ka, kb = (v[rows] for v in _with_depth(a, b, Stand(*values)))
        x, y = b.along_mm[cols] - along, b.aside_mm[cols] - aside
        long = np.maximum(np.hypot(ka, kb), 1e-9)
        along_k, across_k = (x * ka + y * kb) / long, (x * kb - y * ka) / long
        wide = np.sqrt(how.place_mm**2 + (how.depth_mm * long) ** 2)
        z = np.r_[along_k / wide, across_k / how.place_mm]
        return np.asarray(z / np.sqrt(np.maximum(1, np.abs(z) / 2)))

    now = s.values()
    base = rest(now)
    slope = np.stack([(rest(now + d) - base) / d.sum() for d in np.diag(_STEP)], 1)
    lhs = np.vstack([slope, np.diag(1 / _HOLD)])
    step = np.linalg.lstsq(lhs, np.r_[-base, (start.values() - now) / _HOLD], rcond=None)[0]
    new = now + np.clip(step, -2 * _HOLD, 2 * _HOLD)
    new[:2] = np.clip(new[:2], -1.0, 1.0)
    return Stand(*map(float, new))
