"""From a photo to its limb: search, centre, measure across, tell base from tip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fruitcount.errors import BadInputError
from fruitcount.flags import Flag
from fruitcount.image.opencv import cv2
from fruitcount.image.quality import sheet_behind
from fruitcount.image.references import marked_point
from fruitcount.limb.centre import Band, centred, fit_taper, measure_width, median_or_nan, smoothed
from fruitcount.limb.result import (
    base_last,
    drawn_line,
    extended,
    frame_edge,
    made_limb,
    pinned,
    trimmed,
)
from fruitcount.limb.search import Found, line_map, ridge_map, search_before, search_line
from fruitcount.limb.shoots import find_shoots
from fruitcount.limb.wood import Field, Scene, cost_of, make_field, route_between, route_from
from fruitcount.lines import along_line, resampled
from fruitcount.types import FloatArray, Fruitlets, Limb, Maps, Photo, Scale
from fruitcount.whole_photo import whole_photo

# Chance that the net's route is right under which woody ridges are asked instead. Of 56 dense
# renders that nothing was set on, 0.82 of the limb was found and 6 limbs were wrong; at 0.7 0.80
# and 9. On 14 phone photos 0.85 of the limb was found at 0.5, 0.83 at 0.
LEAST_CHANCE = 0.5

# Grid on which paths are searched. Larger finds thinner limbs, slower (time grows with its square).
SEARCH_LONG_SIDE = 256

# Share of the line on which wood must be seen; below it the line is ``LIMB_DOUBTFUL``. Larger flags
# more.
MIN_SUPPORT_FRAC = 0.4

# The same share below which there is no limb, ``LIMB_NOT_FOUND``.
LEAST_SUPPORT_FRAC = 0.12

# Chance that the line is the limb that is meant below which it is ``LIMB_UNSURE``. Larger flags
# more: at 0.8 three of seven wrong lines and three of 55 right ones.
MIN_RIGHT_CHANCE = 0.8

# Log-odds of which end is the base below which it is ``LIMB_ENDS_UNSURE``. Larger flags more: on
# photographs, most of which show neither end, 26 of 47 under 4 are turned round and none of two
# above; all 13 limbs with a card looked at have more than 6, none turned.
MIN_BASE_ODDS = 4.0

# Shortest limb, as a share of the photo's long side; below it, ``LIMB_NOT_FOUND``.
MIN_LENGTH_FRAC = 0.15

# How far the true middle may lie from the searched path, as a share of the long side. At 0.03 the
# line slips to other wood more often.
REACH_FRAC = 0.015

# Points of the line given back.
VERTICES = 80


def find_limb(
    photo: Photo,
    maps: Maps | None,
    fruitlets: Fruitlets,
    scale: Scale,
    *,
    base_px: Sequence[float] | None = None,
    tip_px: Sequence[float] | None = None,
    line_px: FloatArray | None = None,
) -> Limb:
    """Find the photographed limb and measure its thickness.

    Parameters
    ----------
    photo : Photo
    maps : Maps or None
        Its ``wood`` is used where finite.
    fruitlets : Fruitlets
        Hints: the limb passes near fruit, and fruit hide it.
    scale : Scale
        Without one, lengths stay in px and the mm fields are NaN.
    base_px, tip_px : (x, y), px, optional
        Ends marked by the user. One is enough; the other is then searched.
    line_px : array, shape (N, 2), optional
        The whole line drawn by the user from base to tip; taken as it is.

    Returns
    -------
    Limb
        Empty with ``LIMB_NOT_FOUND`` when nothing limb-like is there. Its length runs from its
        base, or from where the photo begins, to the end of its wood; a tape laid along the limb
        measures the same (common practice, no source).

    Raises
    ------
    BadInputError
        When a marked point is outside the photo or a drawn line has fewer than two points.
    """
    scene = Scene(photo, maps, fruitlets, scale)
    field = make_field(scene, SEARCH_LONG_SIDE)
    if line_px is not None:
        return _with_shoots(scene, _measured(scene, drawn_line(line_px)), field)
    base = None if base_px is None else marked_point(photo, "base_px", base_px)
    tip = None if tip_px is None else marked_point(photo, "tip_px", tip_px)
    if base is not None and tip is not None and np.hypot(*(tip - base)) < 2:
        raise BadInputError("base and tip must be two places, the same one is given for both")
    found = None
    if base is None and tip is None:
        found = _searched(scene, field)
        if found is None:
            return Limb(flags=Flag.LIMB_NOT_FOUND)
        rough = found.line_px
    else:
        rough = _tapped(photo, field, base, tip)
    band = centred(scene, rough, REACH_FRAC * max(photo.rgb.shape[:2]))
    if found is not None and found.by_ridge and _support(band) < LEAST_SUPPORT_FRAC:
        return Limb(flags=Flag.LIMB_NOT_FOUND)
    if found is not None and not any(found.leaves_frame):
        band = trimmed(band)
    open_ends = (base is None, tip is None) if found is None else found.leaves_frame
    line = extended(pinned(band.line_px, base, tip), photo.rgb.shape[:2], *open_ends)
    if along_line(line)[-1] < MIN_LENGTH_FRAC * max(photo.rgb.shape[:2]):
        return Limb(flags=Flag.LIMB_NOT_FOUND)
    limb = _finished(scene, replace(band, line_px=line), (base, tip), found)
    return _with_shoots(scene, limb, field)


def trace_between(photo: Photo, a_px: Sequence[float], b_px: Sequence[float]) -> FloatArray:
    """Snap a line to the wood between two taps.

    Parameters
    ----------
    photo : Photo
    a_px, b_px : (x, y), px

    Returns
    -------
    array, shape (N, 2)
        From a to b, both kept exactly.
    """
    a, b = marked_point(photo, "a_px", a_px), marked_point(photo, "b_px", b_px)
    if float(np.hypot(*(b - a))) < 4:
        return np.array([a, b])
    whole = whole_photo(photo.rgb)
    maps = None if whole is None else whole.fruit[-1]
    scene = Scene(photo, maps, Fruitlets.empty(), Scale())
    field = make_field(scene, SEARCH_LONG_SIDE)
    rough = _tapped(photo, field, a, b)
    band = centred(scene, rough, REACH_FRAC * max(photo.rgb.shape[:2]))
    return pinned(resampled(band.line_px, 40), a, b)


def _searched(scene: Scene, field: Field) -> Found | None:
    """The route by the limb net; by woody ridges where the net is missing or sees none."""
    told, fruit = line_map(scene.photo.rgb), scene.fruitlets
    sheet = sheet_behind(scene.photo.rgb, fruit.x_px, fruit.y_px)
    found = None if told is None else search_before(told, sheet)
    if found is not None and found.right_chance >= LEAST_CHANCE:
        return found
    by_ridge = search_line(ridge_map(field.ridge, field.px_per_cell))
    if by_ridge is None or told is None:
        return by_ridge
    return replace(by_ridge, right_chance=0.0 if found is None else found.right_chance)


def _tapped(
    photo: Photo, field: Field, base: FloatArray | None, tip: FloatArray | None
) -> FloatArray:
    """Path in photo px from base to tip, of which the user gave one or both.

    Over woody ridges and what the limb net takes for the limb: between the true ends, of 58 dense
    renders 0.87 of the path is within 1 % of the long side of the limb, 0.78 by ridges alone.
    """
    told = line_map(photo.rgb)
    if told is not None:
        line = cv2.resize(told.line, field.ridge.shape[::-1])
        field = replace(field, ridge=np.maximum(field.ridge, line))
    cost = cost_of(field)
    if base is not None and tip is not None:
        return field.to_px(route_between(cost, field.to_cells(base), field.to_cells(tip)))
    if base is not None:
        return field.to_px(route_from(cost, field.to_cells(base)))
    if tip is None:
        raise ValueError("one end must be given")
    return field.to_px(route_from(cost, field.to_cells(tip))[::-1])


def _support(band: Band) -> float:
    """Share of the line on which wood is seen."""
    return float(np.mean(band.support > 0.25))


def _finished(
    scene: Scene, band: Band, taps: tuple[FloatArray | None, FloatArray | None], found: Found | None
) -> Limb:
    shape = scene.photo.rgb.shape[:2]
    base, tip = taps
    line = resampled(smoothed(band.line_px, 0.01), VERTICES)
    width = _widths(scene, line, band.half_px)
    taper = fit_taper(line, width)
    flags, chance = Flag.NONE, float("nan")
    if found is not None:
        chance = found.right_chance
        turn, sure = False, found.base_odds >= MIN_BASE_ODDS
        if found.by_ridge:  # ridges say nothing of the ends
            turn, sure = base_last(line, taper, shape)
        if turn:
            line, width = line[::-1], width[::-1]
            taper = fit_taper(line, width)
        flags |= Flag.NONE if sure else Flag.LIMB_ENDS_UNSURE
        flags |= Flag.LIMB_UNSURE if chance < MIN_RIGHT_CHANCE else Flag.NONE
    by_net = found is not None and not found.by_ridge
    if not by_net and _support(band) < MIN_SUPPORT_FRAC:
        flags |= Flag.LIMB_DOUBTFUL
    if tip is None and frame_edge(line[-1], shape):
        flags |= Flag.LIMB_LEAVES_FRAME
    limb = made_limb(line, width, taper, scene.scale)
    by_hand = base is not None and tip is not None
    return replace(limb, flags=limb.flags | flags, by_hand=by_hand, right_chance=chance)


def _measured(scene: Scene, drawn: FloatArray) -> Limb:
    """A limb drawn by hand: the line as it is, the width measured near it."""
    shape = scene.photo.rgb.shape[:2]
    even = resampled(drawn, max(VERTICES, len(drawn)))
    reach_px = 0.5 * REACH_FRAC * max(shape)
    band = centred(scene, even, reach_px)
    width = _widths(scene, resampled(band.line_px, len(even)), band.half_px)
    limb = made_limb(even, width, fit_taper(even, width), scene.scale)
    flags = limb.flags | (Flag.LIMB_LEAVES_FRAME if frame_edge(even[-1], shape) else Flag.NONE)
    return replace(limb, flags=flags, by_hand=True)


def _with_shoots(scene: Scene, limb: Limb, field: Field) -> Limb:
    half_px = 0.5 * median_or_nan(limb.width_px)
    shoots = find_shoots(scene, field, line_px=limb.line_px, half_px=half_px)
    return replace(limb, shoots=shoots)


def _widths(scene: Scene, line: FloatArray, half_px: float) -> FloatArray:
    return measure_width(scene, line, half_px, _discs(scene.fruitlets))


def _discs(fruitlets: Fruitlets) -> tuple[FloatArray, ...]:
    good = np.isfinite(fruitlets.x_px) & np.isfinite(fruitlets.r_px)
    return fruitlets.x_px[good], fruitlets.y_px[good], fruitlets.r_px[good]
