"""From a line and its widths to a limb: its ends, what the user marked, lengths in mm, doubts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.ndimage import uniform_filter1d

from fruitcount.errors import BadInputError, positive
from fruitcount.flags import Flag
from fruitcount.limb.centre import Band, Taper
from fruitcount.lines import along_line
from fruitcount.types import FloatArray, Limb, Scale

_EDGE_FRAC = 0.04


def trimmed(band: Band) -> Band:
    """Cut both ends back to where wood is seen (a stretch of 4 % of the line with support)."""
    window = max(3, len(band.support) // 25)
    seen = uniform_filter1d(band.support, window, mode="nearest") > 0.22
    if not seen.any():
        return band
    first, last = np.flatnonzero(seen)[[0, -1]]
    first, last = max(0, first - window // 2), min(len(seen) - 1, last + window // 2)
    keep = slice(first, last + 1)
    return replace(band, line_px=band.line_px[keep], support=band.support[keep])


def frame_edge(point_px: FloatArray, shape: tuple[int, ...]) -> bool:
    """Whether a point lies within 1 % of the long side of the photo's edge.

    ``point_px`` has shape (2,), x and y; ``shape`` is that of the photo's array.
    """
    rows, columns = shape[:2]
    near = 0.01 * max(rows, columns)
    x, y = float(point_px[0]), float(point_px[1])
    return min(x, y, columns - 1 - x, rows - 1 - y) < near


def extended(line: FloatArray, shape: tuple[int, ...], at_start: bool, at_end: bool) -> FloatArray:
    """Carry an end that stops just short of the photo's edge straight on to the edge.

    Shape (N, 2) in, x and y in pixels; up to two points more out.

    Just short is under 4 % of the photo's long side.
    """
    out = _carried(line, shape) if at_end else line
    return _carried(out[::-1], shape)[::-1] if at_start else out


def _carried(line: FloatArray, shape: tuple[int, ...]) -> FloatArray:
    far = np.array(shape[1::-1]) - 1.0
    ahead = line[-1] - line[-min(len(line), max(2, len(line) // 10))]
    length = float(np.hypot(*ahead))
    if length < 1e-6:
        return line
    ahead = ahead / length
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = np.where(ahead > 0, far - line[-1], -line[-1]) / ahead
    least = float(np.min(reach, where=np.abs(ahead) > 1e-9, initial=np.inf))
    if not 0 < least < _EDGE_FRAC * max(shape[:2]):
        return line
    return np.vstack([line, line[-1] + least * ahead])


def with_caliper(limb: Limb, readings: Mapping[str, Any]) -> Limb:
    """The limb with its diameters replaced by caliper readings.

    Parameters
    ----------
    limb : Limb
    readings : mapping
        ``base_diameter_mm`` and ``tip_diameter_mm``; what is None, NaN or not there stays as
        measured on the photo, and other keys are passed over.

    Raises
    ------
    BadInputError
        When a reading is not > 0.
    """
    told = {name: readings.get(name) for name in ("base_diameter_mm", "tip_diameter_mm")}
    known = {k: positive(k, v) for k, v in told.items() if v is not None and not np.isnan(v)}
    # A caliper reads to 0.1 mm; bark and an oval section make it about 2 %.
    sure = {"diameter_rel_sd_frac": 0.02, "diameter_source": "caliper"}
    changed: dict[str, Any] = {**known, **sure, "flags": limb.flags & ~Flag.DIAMETER_DOUBTFUL}
    return replace(limb, **changed) if known else limb


def drawn_line(line_px: FloatArray) -> FloatArray:
    """A drawn line as an array, checked to be a line.

    Shape (N, 2), x and y in pixels.
    """
    line = np.asarray(line_px, np.float64)
    if line.ndim != 2 or line.shape[1] != 2 or len(line) < 2 or not np.isfinite(line).all():
        raise BadInputError(f"line_px must be two or more finite x, y pairs, got {line.shape}")
    if along_line(line)[-1] < 2:
        raise BadInputError("line_px must be at least 2 px long")
    return line


def pinned(line: FloatArray, base: FloatArray | None, tip: FloatArray | None) -> FloatArray:
    """The line with its ends drawn to the user's marks, the pull fading over a fifth of it.

    The line has shape (N, 2) before and after, each mark shape (2,), in pixels.
    """
    out = line.copy()
    fade = np.clip(1 - np.arange(len(line)) / max(1, len(line) // 5), 0, 1)[:, None]
    if base is not None:
        out += fade * (base - line[0])
    if tip is not None:
        out += fade[::-1] * (tip - line[-1])
    return out


# Thickness less sure than this is ``DIAMETER_DOUBTFUL``. Larger flags fewer.
MAX_DIAMETER_SD_FRAC = 0.16


def base_last(line: FloatArray, taper: Taper, shape: tuple[int, ...]) -> tuple[bool, bool]:
    """Whether the base is the line's last end, and whether that is sure.

    ``line`` has shape (N, 2); ``shape`` is that of the photo's array.

    The thicker end is the base. Where the taper does not tell, the base is the end that leaves
    the photo, else the lower end in the picture.
    """
    if abs(taper.slope_z) > 2:
        return taper.slope_z > 0, True
    first, last = frame_edge(line[0], shape), frame_edge(line[-1], shape)
    if first != last:
        return last, True
    return bool(line[-1][1] > line[0][1]), False


# What edges of bark against leaf shade and an oval section add to fit and scale. With it the base
# is within 1.645 standard deviations on 20 of 21 drawn limbs with card (17 with 0.04); the one left
# is drawn along half the limb.
EDGES_SD_FRAC = 0.07


def made_limb(line: FloatArray, width: FloatArray, taper: Taper, scale: Scale) -> Limb:
    """The limb of a line from base to tip, with the widths read along it.

    ``line`` has shape (N, 2), ``width`` shape (N,), both in pixels.
    """
    length_px = float(along_line(line)[-1])
    mm = scale.mm_per_px if scale.known else float("nan")
    base_px = taper.first_px
    tip_px = min(taper.last_px, base_px) if np.isfinite(base_px) else taper.last_px
    relative = float(
        np.sqrt(taper.rel_sd_frac**2 + EDGES_SD_FRAC**2 + np.nan_to_num(scale.rel_sd_frac) ** 2)
    )
    told = bool(np.isfinite(base_px))
    doubtful = not told or relative > MAX_DIAMETER_SD_FRAC
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
