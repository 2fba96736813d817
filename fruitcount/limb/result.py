"""From a line and its widths to a limb: which end is the base, lengths in mm, doubts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitcount.flags import Flag
from fruitcount.limb.ends import frame_edge
from fruitcount.limb.width import Taper
from fruitcount.lines import along_line
from fruitcount.types import FloatArray, Limb, Scale


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
    min_right_chance : float
        Chance that the line is the limb that is meant below which it is ``LIMB_UNSURE``. Larger
        flags more: at 0.8 three of seven wrong lines and three of 55 right ones.
    min_base_odds : float
        Log-odds of which end is the base below which it is ``LIMB_ENDS_UNSURE``. Larger flags
        more: on photographs, most of which show neither end, 26 of 47 under 4 are turned round and
        none of two above; all 13 limbs with a card looked at have more than 6, none turned.
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
    min_right_chance: float = 0.8
    min_base_odds: float = 4.0
    min_length_frac: float = 0.15
    reach_frac: float = 0.03
    max_diameter_sd_frac: float = 0.15
    vertices: int = 80


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


def made_limb(
    line: FloatArray, width: FloatArray, taper: Taper, scale: Scale, rules: LimbSettings
) -> Limb:
    """The limb of a line from base to tip, with the widths read along it.

    ``line`` has shape (N, 2), ``width`` shape (N,), both in pixels.
    """
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
