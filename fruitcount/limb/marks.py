"""What the user marked: taps, a drawn line, caliper readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fruitcount.checks import positive
from fruitcount.errors import BadInputError
from fruitcount.flags import Flag
from fruitcount.lines import along_line
from fruitcount.types import FloatArray, Limb, Photo


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


def marked_point(photo: Photo, name: str, point: Sequence[float]) -> FloatArray:
    """A tap as an array, checked to lie in the photo.

    Shape (2,), x and y in pixels.
    """
    at = np.asarray(point, np.float64)
    if at.shape != (2,) or not np.isfinite(at).all():
        raise BadInputError(f"{name} must be a finite x, y pair, got {point!r}")
    if not (-1 <= at[0] <= photo.width_px and -1 <= at[1] <= photo.height_px):
        raise BadInputError(
            f"{name} must be inside the {photo.width_px} x {photo.height_px} photo, got {point!r}"
        )
    return at


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
