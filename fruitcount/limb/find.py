"""From a photo to its limb: search, centre, measure across, tell base from tip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fruitcount.checks import positive
from fruitcount.errors import BadInputError
from fruitcount.flags import Flag
from fruitcount.limb.centre import Band, centred, resampled, smoothed
from fruitcount.limb.ends import extended, frame_edge, trimmed
from fruitcount.limb.route import carried_on, cost_of, route_between, route_from, search_route
from fruitcount.limb.shoots import find_shoots
from fruitcount.limb.width import Taper, fit_taper, measure_width
from fruitcount.limb.wood import Field, make_field
from fruitcount.lines import along_line
from fruitcount.types import FloatArray, Fruitlets, Limb, Maps, Photo, Scale

__all__ = ["LimbSettings", "find_limb", "trace_between", "with_caliper"]


@dataclass(frozen=True)
class LimbSettings:
    """Limits of :func:`find_limb`.

    Attributes
    ----------
    search_long_side : int
        Grid on which paths are searched. Larger finds thinner limbs, slower (time grows with
        its square).
    min_support_frac : float
        Share of the line on which wood must be seen; below it the line is ``LIMB_DOUBTFUL``.
        Larger flags more.
    least_support_frac : float
        The same share below which there is no limb, ``LIMB_NOT_FOUND``.
    max_rival_frac : float
        When another path in the picture has more than this share of the best path's merit, the
        line is ``LIMB_DOUBTFUL``. Larger flags fewer. At 0.65 seven of eleven wrong lines were
        flagged and nine of thirty right ones (phone and path-traced photos).
    min_length_frac : float
        Shortest limb, as a share of the photo's long side; below it, ``LIMB_NOT_FOUND``.
    reach_frac : float
        How far the true middle may lie from the searched path, as a share of the long side.
    max_diameter_sd_frac : float
        Thickness less sure than this is ``DIAMETER_DOUBTFUL``. Larger flags fewer.
    vertices : int
        Points of the line given back.
    """

    search_long_side: int = 256
    min_support_frac: float = 0.4
    least_support_frac: float = 0.12
    max_rival_frac: float = 0.65
    min_length_frac: float = 0.15
    reach_frac: float = 0.03
    max_diameter_sd_frac: float = 0.15
    vertices: int = 80


@dataclass(frozen=True, eq=False)
class _Scene:
    photo: Photo
    maps: Maps | None
    fruitlets: Fruitlets
    scale: Scale
    rules: LimbSettings


def find_limb(
    photo: Photo,
    maps: Maps | None,
    fruitlets: Fruitlets,
    scale: Scale,
    *,
    base_px: Sequence[float] | None = None,
    tip_px: Sequence[float] | None = None,
    line_px: FloatArray | None = None,
    settings: LimbSettings | None = None,
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
    settings : LimbSettings, optional

    Returns
    -------
    Limb
        Empty with ``LIMB_NOT_FOUND`` when nothing limb-like is there.

    Raises
    ------
    BadInputError
        When a marked point is outside the photo or a drawn line has fewer than two points.
    """
    rules = settings or LimbSettings()
    scene = _Scene(photo, maps, fruitlets, scale, rules)
    if line_px is not None:
        limb = _measured(scene, _drawn(photo, line_px))
        field = make_field(photo, maps, fruitlets, scale, rules.search_long_side)
        return _with_shoots(scene, limb, field)
    field = make_field(photo, maps, fruitlets, scale, rules.search_long_side)
    base = None if base_px is None else _marked(photo, "base_px", base_px)
    tip = None if tip_px is None else _marked(photo, "tip_px", tip_px)
    searched = _rough(field, base, tip)
    if searched is None:
        return Limb(flags=Flag.LIMB_NOT_FOUND)
    rough, rival_frac = searched
    band = centred(photo, maps, rough, rules.reach_frac * max(photo.rgb.shape[:2]))
    if base is None and tip is None:
        band = trimmed(band)
        if float(np.mean(band.support > 0.25)) < rules.least_support_frac:
            return Limb(flags=Flag.LIMB_NOT_FOUND)
    line = _pinned(band.line_px, base, tip)
    if along_line(line)[-1] < rules.min_length_frac * max(photo.rgb.shape[:2]):
        return Limb(flags=Flag.LIMB_NOT_FOUND)
    line = extended(line, photo.rgb.shape[:2], at_start=base is None, at_end=tip is None)
    limb = _finished(scene, replace(band, line_px=line), base, tip)
    if rival_frac > rules.max_rival_frac:
        limb = replace(limb, flags=limb.flags | Flag.LIMB_DOUBTFUL)
    return _with_shoots(scene, limb, field)


def trace_between(
    photo: Photo, maps: Maps | None, a_px: Sequence[float], b_px: Sequence[float]
) -> FloatArray:
    """Snap a line to the wood between two taps.

    Parameters
    ----------
    photo : Photo
    maps : Maps or None
    a_px, b_px : (x, y), px

    Returns
    -------
    array, shape (N, 2)
        From a to b, both kept exactly.
    """
    a, b = _marked(photo, "a_px", a_px), _marked(photo, "b_px", b_px)
    rules = LimbSettings()
    field = make_field(photo, maps, Fruitlets.empty(), Scale(), rules.search_long_side)
    searched = _rough(field, a, b)
    if searched is None or len(searched[0]) < 2 or float(np.hypot(*(b - a))) < 4:
        return np.array([a, b])
    band = centred(photo, maps, searched[0], rules.reach_frac * max(photo.rgb.shape[:2]))
    return _pinned(resampled(band.line_px, 40), a, b)


def with_caliper(
    limb: Limb, *, base_diameter_mm: float | None = None, tip_diameter_mm: float | None = None
) -> Limb:
    """The limb with its diameters replaced by caliper readings.

    Parameters
    ----------
    limb : Limb
    base_diameter_mm, tip_diameter_mm : float, mm, optional
        What is not given stays as measured on the photo.

    Raises
    ------
    BadInputError
        When a reading is not > 0.
    """
    if base_diameter_mm is None and tip_diameter_mm is None:
        return limb
    base = limb.base_diameter_mm
    tip = limb.tip_diameter_mm
    if base_diameter_mm is not None:
        base = positive("base_diameter_mm", base_diameter_mm)
    if tip_diameter_mm is not None:
        tip = positive("tip_diameter_mm", tip_diameter_mm)
    # A caliper reads to 0.1 mm; bark and an oval section make it about 2 %.
    return replace(
        limb,
        base_diameter_mm=base,
        tip_diameter_mm=tip,
        diameter_rel_sd_frac=0.02,
        diameter_source="caliper",
        flags=limb.flags & ~Flag.DIAMETER_DOUBTFUL,
    )


def _marked(photo: Photo, name: str, point: Sequence[float]) -> FloatArray:
    at = np.asarray(point, np.float64)
    if at.shape != (2,) or not np.isfinite(at).all():
        raise BadInputError(f"{name} must be a finite x, y pair, got {point!r}")
    if not (-1 <= at[0] <= photo.width_px and -1 <= at[1] <= photo.height_px):
        raise BadInputError(
            f"{name} must be inside the {photo.width_px} x {photo.height_px} photo, got {point!r}"
        )
    return at


def _drawn(photo: Photo, line_px: FloatArray) -> FloatArray:
    line = np.asarray(line_px, np.float64)
    if line.ndim != 2 or line.shape[1] != 2 or len(line) < 2 or not np.isfinite(line).all():
        raise BadInputError(f"line_px must be two or more finite x, y pairs, got {line.shape}")
    if along_line(line)[-1] < 2:
        raise BadInputError("line_px must be at least 2 px long")
    return line


def _rough(
    field: Field, base: FloatArray | None, tip: FloatArray | None
) -> tuple[FloatArray, float] | None:
    """Searched path in photo px, from the base where that is known, and its rival's share."""
    if base is not None and tip is not None:
        route = route_between(cost_of(field), field.to_cells(base), field.to_cells(tip))
        return field.to_px(route.cells), 0.0
    if base is not None:
        return field.to_px(route_from(cost_of(field), field.to_cells(base)).cells), 0.0
    if tip is not None:
        return field.to_px(route_from(cost_of(field), field.to_cells(tip)).cells[::-1]), 0.0
    found = search_route(field)
    if found is None or len(found.cells) < 4:
        return None
    return field.to_px(carried_on(field, found).cells), found.rival_frac


def _pinned(line: FloatArray, base: FloatArray | None, tip: FloatArray | None) -> FloatArray:
    """The line with its ends drawn to the user's marks, the pull fading over a fifth of it."""
    out = line.copy()
    fade = np.clip(1 - np.arange(len(line)) / max(1, len(line) // 5), 0, 1)[:, None]
    if base is not None:
        out += fade * (base - line[0])
    if tip is not None:
        out += fade[::-1] * (tip - line[-1])
    return out


def _finished(scene: _Scene, band: Band, base: FloatArray | None, tip: FloatArray | None) -> Limb:
    shape = scene.photo.rgb.shape[:2]
    line = resampled(smoothed(band.line_px, 0.01), scene.rules.vertices)
    width = _widths(scene, line, band.half_px)
    taper = fit_taper(line, width)
    flags = Flag.NONE
    if base is None and tip is None:
        turn, sure = _base_last(line, taper, shape)
        if turn:
            line, width = line[::-1], width[::-1]
            taper = fit_taper(line, width)
        if not sure:
            flags |= Flag.LIMB_DOUBTFUL
    if float(np.mean(band.support > 0.25)) < scene.rules.min_support_frac:
        flags |= Flag.LIMB_DOUBTFUL
    if tip is None and frame_edge(line[-1], shape):
        flags |= Flag.LIMB_LEAVES_FRAME
    limb = _limb(line, width, taper, scene.scale, scene.rules)
    return replace(limb, flags=limb.flags | flags, by_hand=base is not None and tip is not None)


def _measured(scene: _Scene, drawn: FloatArray) -> Limb:
    """A limb drawn by hand: the line as it is, the width measured near it."""
    shape = scene.photo.rgb.shape[:2]
    even = resampled(drawn, max(scene.rules.vertices, len(drawn)))
    reach_px = 0.5 * scene.rules.reach_frac * max(shape)
    band = centred(scene.photo, scene.maps, even, reach_px)
    width = _widths(scene, resampled(band.line_px, len(even)), band.half_px)
    limb = _limb(even, width, fit_taper(even, width), scene.scale, scene.rules)
    flags = limb.flags | (Flag.LIMB_LEAVES_FRAME if frame_edge(even[-1], shape) else Flag.NONE)
    return replace(limb, flags=flags, by_hand=True)


def _with_shoots(scene: _Scene, limb: Limb, field: Field) -> Limb:
    shoots = find_shoots(
        scene.photo,
        scene.maps,
        scene.fruitlets,
        scene.scale,
        field=field,
        line_px=limb.line_px,
    )
    return replace(limb, shoots=shoots)


def _widths(scene: _Scene, line: FloatArray, half_px: float) -> FloatArray:
    return measure_width(scene.photo, scene.maps, line, half_px, _discs(scene.fruitlets))


def _discs(fruitlets: Fruitlets) -> tuple[FloatArray, ...]:
    good = np.isfinite(fruitlets.x_px) & np.isfinite(fruitlets.r_px)
    return fruitlets.x_px[good], fruitlets.y_px[good], fruitlets.r_px[good]


def _base_last(line: FloatArray, taper: Taper, shape: tuple[int, ...]) -> tuple[bool, bool]:
    """Whether the base is the line's last end, and whether that is sure.

    The thicker end is the base. Where the taper does not tell, the base is the end that leaves
    the photo, else the lower end in the picture.
    """
    if abs(taper.slope_z) > 2:
        return taper.slope_z > 0, True
    first, last = frame_edge(line[0], shape), frame_edge(line[-1], shape)
    if first != last:
        return last, True
    return bool(line[-1][1] > line[0][1]), False


def _limb(
    line: FloatArray, width: FloatArray, taper: Taper, scale: Scale, rules: LimbSettings
) -> Limb:
    length_px = float(along_line(line)[-1])
    mm = scale.mm_per_px if scale.known else float("nan")
    base_px = taper.first_px
    tip_px = min(taper.last_px, base_px) if np.isfinite(base_px) else taper.last_px
    # Edges of bark against leaf shade and an oval section: 4 % beside fit and scale.
    relative = float(
        np.sqrt(taper.rel_sd_frac**2 + 0.04**2 + np.nan_to_num(scale.rel_sd_frac) ** 2)
    )
    told = bool(np.isfinite(base_px))
    doubtful = not told or relative > rules.max_diameter_sd_frac
    return Limb(
        line_px=line,
        width_px=width,
        length_px=length_px,
        length_mm=length_px * mm,
        base_diameter_mm=base_px * mm,
        tip_diameter_mm=tip_px * mm,
        diameter_rel_sd_frac=relative if told else float("nan"),
        diameter_source="photo" if told and scale.known else "none",
        flags=Flag.DIAMETER_DOUBTFUL if doubtful else Flag.NONE,
    )
