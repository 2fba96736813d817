"""Which fruit of two photos are the same: how the limb stood to each lens, then pairs by place."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment

from fruitcount.types import FloatArray, IntArray
from fruitcount.views.places import Places

PLACE_MM, DEPTH_MM = 1.5, 11.0
"""Standard deviations of a place on the second photo where depth does not matter, and of how far
fruit stand off the limb towards the lens or away. Larger join more. These and the next are fitted
on renders."""

SIZE_FRAC, YELLOW_DIFFERS, FAR_FRAC = 0.12, 0.1, 0.1
"""Spread of the ratio of one fruit's diameters; chance that it is told yellowing on one photo only;
share of pairs three times as far apart, since a fruit's hidden part moves its mark."""

SAME_LOG_ODDS, STRETCH_FRAC = 1.6, 0.1
"""Of a fruit seen on one photo to be found on the other: larger joins more. Spread of the ratio of
two photos' limb lengths: larger takes limbs of more different length for one."""


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
    """

    tilt_first: float
    tilt_second: float
    turn: float
    shift_mm: float
    stretch: float


@dataclass(frozen=True, eq=False)
class Way:
    """How fruit of one photo come to lie on another, exactly but for their depth.

    Attributes
    ----------
    turn : float array, shape (3, 3)
        From right, down and away of the first camera to those of the second.
    here, there : float arrays, shape (3,), mm
        One point of the limb before either camera.
    slope : float
        Of the limb away from the first camera, along its chord.
    values : float array, shape (8,)
        Corrections: turn about three axes, place of the point, slope, bend (mm at 100 mm).
    """

    turn: FloatArray
    here: FloatArray
    there: FloatArray
    slope: float
    values: FloatArray

    def seen(
        self, a: Places, b: Places, values: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Where the first photo's fruit are on the second: (..., N, 2) in mm at the limb.

        Also how that moves with each mm of depth, and how much larger they are there. With
        `values` of shape (..., 8) all of it for each of them.
        """
        v = self.values if values is None else values
        point = np.stack([self.in_space(a, v), self.in_space(a, v, _DEPTH_STEP_MM)])
        away = point[0, ..., 2]
        point = (point - self.here) @ np.swapaxes(_turned(v[..., :3]) @ self.turn, -1, -2)
        point += (self.there + v[..., 3:6])[..., None, :]
        scale = b.distance_mm / np.maximum(point[..., 2], 0.3 * b.distance_mm)
        seen, deeper = point[..., :2] * scale[..., None]
        return seen, (deeper - seen) / _DEPTH_STEP_MM, away / a.distance_mm * scale[0]

    def in_space(self, a: Places, values: FloatArray, depth_mm: float = 0.0) -> FloatArray:
        """The first photo's fruit before its camera, (..., N, 3) in mm, so far behind the limb."""
        bend = (self.slope + values[..., 6, None]) * a.chord_mm
        bend = bend + values[..., 7, None] * (a.chord_mm / 100) ** 2
        away = np.maximum(a.distance_mm + bend + depth_mm, 0.3 * a.distance_mm)[..., None]
        return np.concatenate([a.ray * away, away], -1)

    def fitted(self, a: Places, b: Places, pairs: tuple[Any, Any], wider: float = 1.0) -> Way:
        """One step of least squares on the pairs, each value held near where the search put it."""
        a, b = a.take(pairs[0]), b.take(pairs[1])
        now = self.values
        seen, k, _ = self.seen(a, b, now + np.vstack([np.zeros(8), np.diag(_STEP)]))
        x, y = np.moveaxis(b.ray * b.distance_mm - seen, -1, 0)
        ka, kb = np.moveaxis(k, -1, 0)
        long = np.maximum(np.hypot(ka, kb), 1e-9)
        place_mm = PLACE_MM * wider
        wide = np.sqrt(place_mm**2 + (DEPTH_MM * long) ** 2)
        z = np.concatenate(
            [(x * ka + y * kb) / long / wide, (x * kb - y * ka) / long / place_mm], -1
        )
        z /= np.sqrt(np.maximum(1, np.abs(z) / 2))
        lhs = np.vstack([(z[1:] - z[0]).T / _STEP, np.diag(1 / _HOLD)])
        step = np.linalg.lstsq(lhs, np.r_[-z[0], -now / _HOLD], rcond=None)[0]
        return replace(self, values=now + np.clip(step, -2 * _HOLD, 2 * _HOLD))


def _turned(turn: FloatArray) -> FloatArray:
    """Matrices (..., 3, 3) of small turns (..., 3) about the axes, to their second power."""
    x, y, z = np.moveaxis(turn, -1, 0)
    o = np.zeros_like(x)
    cross = np.moveaxis(np.array([[o, -z, y], [z, o, -x], [-y, x, o]]), (0, 1), (-2, -1))
    return np.asarray(np.eye(3) + cross + cross @ cross / 2)


Fit = tuple[float, Way, FloatArray]
"""Log likelihood won, the way, and the log odds of each pair."""


@dataclass(frozen=True, eq=False)
class Pairing:
    """Which fruit of two photos may be the same.

    Attributes
    ----------
    chance : float array, shape (N, M)
        0 to 1, that a mark of the first photo and one of the second show one fruit; their sum is
        how many fruit are likely on both.
    agree_frac : float
        Share of it on which the searches from either photo agree.
    ways : tuple of Fit
        From the first photo to the second, the best first; empty where none was found.
    back : tuple of Fit
        From the second to the first.
    """

    chance: FloatArray
    agree_frac: float = 1.0
    ways: tuple[Fit, ...] = ()
    back: tuple[Fit, ...] = ()

    @property
    def gain(self) -> float:
        """Log likelihood won over "no fruit in common", the mean of both searches."""
        return (self.ways[0][0] + self.back[0][0]) / 2 if self.ways and self.back else 0.0

    @property
    def swapped(self) -> Pairing:
        """The same from the second photo to the first."""
        return Pairing(self.chance.T, self.agree_frac, self.back, self.ways)


_STRETCHES = (0.94, 1.0, 1.06)
_SHIFT_STEP_MM = 8.0
_SWAPPED_LOG_ODDS = -3.0  # the finder swaps base and tip on about one photo in twenty
_TRIES = 20
_WIDE_SEARCH_MM = 5.1
_WIDEST, _WIDER = 4.0, (3.0, 2.0, 1.5, 1.2, 1.0, 1.0)
_DRAWN, _CELLS = 12_000, 120
_FAR_ODDS = 6.0
_TEMPER = 3.0
# Of the fruit on one photo that another shows; how surely a third photo's way is the right one.
_SEEN_FRAC, _THIRD_LOG_ODDS = 0.75, -2.0
# How far each value of a Stand may well lie from where the search put it.
_HOLD = np.array([0.2, 0.2, 0.2, 60.0, 60.0, 60.0, 0.25, 1.5])
_DEPTH_STEP_MM = 5.0
_STEP = np.array([0.01, 0.01, 0.01, 1.0, 1.0, 1.0, 0.01, 0.05])


def pair_fruit(first: Places, second: Places) -> Pairing:
    """Pair the fruit of two photos by place, size and colour.

    How the limb stood to each lens is searched from either photo to the other, the best of it
    refined by least squares on the pairs that it gives. Where several ways explain the photos
    about as well, a pair's chance is its mean over them. Another limb that fits by chance seldom
    fits the same way from both.
    """
    return _pairing(first, second, _ways(first, second), _ways(second, first))


def pair_through(
    pairing: Pairing, photos: tuple[Places, Places, Places], to_first: Pairing, to_second: Pairing
) -> Pairing:
    """The pairing of two photos with the way that leads over a third one tried too.

    `photos` are the two and the third; `to_first` and `to_second` pair the third with each.
    """
    first, second, third = photos
    one, two = to_first.ways[0][1], to_second.ways[0][1]
    there, back = (
        [*fits, _over_third((third, a, b), ways)]
        for fits, a, b, ways in (
            (pairing.ways, first, second, (one, two)),
            (pairing.back, second, first, (two, one)),
        )
    )
    return _pairing(first, second, there, back)


def _pairing(first: Places, second: Places, there: list[Fit], back: list[Fit]) -> Pairing:
    if not there or not back:
        return Pairing(np.zeros((len(first), len(second))), 0.0)
    there, back = (sorted(fits, key=lambda fit: -fit[0]) for fits in (there, back))
    own = _own_gain(first)[:, None] + _own_gain(second)
    one, two = _chance(there, own), _chance(back, own.T).T
    agree = np.minimum(one, two).sum() / max(one.sum(), two.sum(), 1e-9)
    return Pairing((one + two) / 2, float(agree), tuple(there), tuple(back))


def _over_third(photos: tuple[Places, Places, Places], ways: tuple[Way, Way]) -> Fit:
    """From the second of three photos to the last, by the ways from the first to either."""
    third, a, b = photos
    one, two = ways
    turn_a, turn_b = (_turned(way.values[:3]) @ way.turn for way in ways)
    there = one.there + one.values[3:6]
    point = (one.in_space(third, one.values) - one.here) @ turn_a.T + there
    # along a's chord, told from where in the picture it is
    flat = np.linalg.lstsq(np.c_[a.ray, np.ones(len(a))], a.chord_mm, rcond=None)[0]
    chord = np.c_[point[:, :2] / point[:, 2:], np.ones(len(point))] @ flat
    slope, far = np.polyfit(chord, point[:, 2], 1)
    zoom = a.distance_mm / far
    other = turn_b @ (one.here - two.here) + two.there + two.values[3:6]
    turn = turn_b @ np.linalg.inv(turn_a)
    way = Way(turn, there * zoom, other * zoom, float(slope * zoom), np.zeros(8))
    gain, way, score = _refined(a, b, way, _fixed(a, b), _WIDER[1:])
    return gain + _THIRD_LOG_ODDS, way, score


def _ways(first: Places, second: Places) -> list[Fit]:
    """Ways from the first photo to the second."""
    out: list[Fit] = []
    if not len(first) or not len(second):
        return out
    fixed = _fixed(first, second)
    for swapped in (False, True):
        other = second.reversed if swapped else second
        for odds, start in _starts(first, other, fixed):
            way = _first_way(first, other, start, fixed)
            if way is not None:
                gain, way, score = _refined(first, other, way, fixed, _WIDER)
                out.append((gain + odds + swapped * _SWAPPED_LOG_ODDS, way, score))
    return out


def _chance(ways: list[Fit], own: FloatArray) -> FloatArray:
    """Each pair's, the mean over the ways by what they explain; `own` is added to its log odds."""
    gains = np.array([fit[0] for fit in ways])
    weight = np.exp((gains - gains.max()) / _TEMPER)
    each = np.stack([pair_chances(fit[2] + own) for fit in ways])
    return np.tensordot(weight / weight.sum(), each, 1)


def pair_chances(log_odds: FloatArray) -> FloatArray:
    """Chance of each pair where a mark is in one pair at most, from each pair's own log odds.

    Shape (N, M) before and after. Belief propagation on the assignment (Bethe's approximation to
    the sum over all of them).
    """
    weight = np.exp(np.minimum(log_odds, 30))
    row, col = np.ones_like(weight), np.ones_like(weight)
    for _ in range(30):
        told = weight * col
        row = (row + 1 / (1 + told.sum(1, keepdims=True) - told)) / 2
        told = weight * row
        col = (col + 1 / (1 + told.sum(0) - told)) / 2
    odds = weight * row * col
    return np.asarray(odds / (1 + odds))


def own_chance(sure: FloatArray) -> FloatArray:
    """Chance that marks of such scores, shape (N,), are fruit of the limb; fitted on renders."""
    return np.asarray(0.99 / (1 + np.exp(-1.2 - 14.5 * (sure - 0.5))))


def _own_gain(photo: Places) -> FloatArray:
    """Log odds that a mark's score adds to its pairs: no other photo shows a false one."""
    own = own_chance(photo.sure)
    return np.asarray(np.log(own / (1 - _SEEN_FRAC * own)) + np.log((1 - 0.9 * _SEEN_FRAC) / 0.9))


def _seen_by_stand(
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
    along = s.stretch * along + s.shift_mm
    far = np.maximum(1 + (along * sin_b + behind * cos_b) / db, 0.3)
    return ((along * cos_b - behind * sin_b) / far + half_b, turned / far, depth / far)


def _with_depth(a: Places, b: Places, s: Stand) -> tuple[FloatArray, ...]:
    """:func:`_seen_by_stand`, and how along and aside move with each mm of depth."""
    along, aside, larger = _seen_by_stand(a, b, s)
    near, near_aside, _ = _seen_by_stand(a, b, s, 5.0)
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


def _starts(a: Places, b: Places, fixed: FloatArray) -> list[tuple[float, Stand]]:
    """The best stands of those a photographer may well have taken, apart from each other."""
    reach = 0.08 * b.length_mm + 16
    moves = np.arange(-reach, reach + 1, _SHIFT_STEP_MM)
    likely = stands_by_chance(a.heading, b.heading)
    values = np.array([list(vars(s).values()) for _, s in likely]).reshape(-1, 5)
    odds = np.array([odds for odds, _ in likely])
    base_a, tip_a = _ends_mm(a, values[:, 0])
    base_b, tip_b = _ends_mm(b, values[:, 1])
    same = (tip_b - base_b) / (tip_a - base_a)
    good = (same > 0.5) & (same < 2)
    n = len(_STRETCHES)
    values, odds = np.repeat(values[good], n, 0), np.repeat(odds[good], n)
    values[:, 4] = np.repeat(same[good], n) * np.tile(_STRETCHES, int(good.sum()))
    odds = odds - np.minimum(0.5 * (np.log(values[:, 4]) / STRETCH_FRAC) ** 2, _FAR_ODDS)
    middle_a, middle_b = (np.repeat(v[good], n) / 2 for v in (base_a + tip_a, base_b + tip_b))
    values[:, 3] = middle_b - values[:, 4] * middle_a
    gains = _coarse(a, b, values, moves, fixed)
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
    a: Places, b: Places, values: FloatArray, shifts: FloatArray, fixed: FloatArray
) -> FloatArray:
    """For each stand (K, 5) and shift what the best partner of each fruit explains."""
    along, aside, _, ka, kb = _with_depth(a, b, Stand(*list(values.T[:, :, None])))
    v, w = _WIDE_SEARCH_MM**2, DEPTH_MM**2
    size = np.log(v) + 0.5 * np.log1p(w / v * (ka**2 + kb**2))
    share = w / (v + w * (ka**2 + kb**2))
    y = (b.aside_mm - aside[..., None]).astype(np.float32)
    x0 = (b.along_mm - along[..., None]).astype(np.float32)
    usual = np.log(max(b.length_mm, 1.0)) + np.log(
        np.hypot(float(np.std(b.aside_mm)), _WIDE_SEARCH_MM)
    )
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


def _score(
    a: Places, b: Places, gaps: tuple[FloatArray, ...], fixed: FloatArray, wide: float = 1.0
) -> FloatArray:
    """Log odds of each pair; fruit of no pair lie anywhere along the limb."""
    x, y, ka, kb, larger = gaps
    ka, kb = ka[:, None], kb[:, None]
    place_mm = PLACE_MM * wide
    v, w = place_mm**2, DEPTH_MM**2
    # covariance v I + w k k': its inverse by Sherman and Morrison
    share = w / (v + w * (ka**2 + kb**2))
    z2 = (x**2 + y**2 - share * (ka * x + kb * y) ** 2) / v
    size = np.log(v) + 0.5 * np.log1p(w / v * (ka**2 + kb**2))
    usual = np.hypot(float(np.std(b.aside_mm)), place_mm)
    chance = (
        -np.log(max(b.length_mm, 1.0))
        - np.log(usual)
        + 0.919
        - 0.5 * (b.aside_mm[None] / usual) ** 2
    )
    place = _heavy(z2, FAR_FRAC) - size - np.maximum(chance, -np.log(b.length_mm * 200))
    return np.asarray(fixed + place + _size_gain(a, b, larger))


def _gaps_along(a: Places, b: Places, s: Stand) -> tuple[FloatArray, ...]:
    """How far each fruit of the second photo is from each of the first, by limb and stand."""
    along, aside, larger, ka, kb = _with_depth(a, b, s)
    return b.along_mm - along[:, None], b.aside_mm - aside[:, None], ka, kb, larger


def _gaps(a: Places, b: Places, way: Way) -> tuple[FloatArray, ...]:
    """The same in the second picture, by where the cameras stood."""
    seen, k, larger = way.seen(a, b)
    gap = b.ray * b.distance_mm - seen[:, None]
    return gap[..., 0], gap[..., 1], k[:, 0], k[:, 1], larger


def _fixed(a: Places, b: Places) -> FloatArray:
    """What colour says of each pair, and how usual it is to see a fruit twice."""
    share = float(np.clip(np.mean(b.yellow), 0.03, 0.5))
    same = a.yellow[:, None] == b.yellow[None]
    miss, mine = YELLOW_DIFFERS, np.where(b.yellow, share, 1 - share)[None]
    colour = np.log(np.where(same, 1 - miss, miss) / np.where(same, mine, 1 - mine))
    # each fruit of the second photo is as likely as another to be the one
    return np.asarray(colour.clip(-2, 1.5) + SAME_LOG_ODDS - np.log(len(b)))


def _size_gain(a: Places, b: Places, larger: FloatArray) -> FloatArray:
    """Log odds by size; `larger` is how much nearness enlarges each fruit on the second photo."""
    ratio = np.log(b.size_mm[None] / (a.size_mm * larger)[:, None])
    ratio = ratio - np.log(np.nanmedian(b.size_mm) / np.nanmedian(a.size_mm * larger))
    usual = np.hypot(SIZE_FRAC, float(np.nanstd(np.log(b.size_mm))) + 0.05)
    gain = 0.5 * ratio**2 * (usual**-2 - SIZE_FRAC**-2) + np.log(usual / SIZE_FRAC)
    return np.asarray(np.nan_to_num(gain).clip(-4, 2))


def _refined(a: Places, b: Places, way: Way, fixed: FloatArray, wider: tuple[float, ...]) -> Fit:
    """A way fitted to the pairs that it gives, again and again; `wider` is how far off they lie."""
    for wide in wider:
        score = _score(a, b, _gaps(a, b, way), fixed, wide)
        rows, cols = assigned(score)
        if len(rows) < 2:
            break
        way = way.fitted(a, b, (rows, cols), wide)
    score = _score(a, b, _gaps(a, b, way), fixed)
    rows, cols = assigned(score)
    held = 0.5 * float(((way.values / _HOLD) ** 2).sum())
    return float(score[rows, cols].sum()) - held, way, score


def assigned(score: FloatArray) -> tuple[IntArray, IntArray]:
    """Rows and columns of the pairs of the highest sum, one a mark, each above zero.

    The score has shape (N, M); what is given back (K,) each.
    """
    rows, cols = linear_sum_assignment(-np.maximum(score, 0))
    good = score[rows, cols] > 0
    return rows[good], cols[good]


def _first_way(a: Places, b: Places, s: Stand, fixed: FloatArray) -> Way | None:
    """The stand as a way, by the pairs that it gives; None where it gives none."""
    rows, cols = assigned(_score(a, b, _gaps_along(a, b, s), fixed, _WIDEST))
    if len(rows) < 2:
        return None
    first, second = _limb_axes(a.heading, s.tilt_first), _limb_axes(b.heading, s.tilt_second)
    cos, sin = np.cos(s.turn), np.sin(s.turn)
    way = Way(
        second.T @ np.array([[1, 0, 0], [0, cos, -sin], [0, sin, cos]]) @ first,
        np.r_[a.ray[rows].mean(0), 1.0] * a.distance_mm,
        np.r_[b.ray[cols].mean(0), 1.0] * b.distance_mm,
        float(np.tan(s.tilt_first)),
        np.zeros(8),
    )
    return way.fitted(a, b, (rows, cols), _WIDEST)


def _limb_axes(heading: float, tilt: float) -> FloatArray:
    """Rows: along the limb, aside and behind it, as right, down and away of the camera."""
    flat = np.array([np.cos(heading), -np.sin(heading), 0.0])
    side = np.array([np.sin(heading), np.cos(heading), 0.0])
    away = np.array([0.0, 0.0, 1.0])
    cos, sin = np.cos(tilt), np.sin(tilt)
    return np.stack([cos * flat + sin * away, side, cos * away - sin * flat])
