"""What a corrected sheet means on the photo: the card under a mark, the limb at another scale."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import review_state as rs

from fruitcount.image.opencv import cv2
from fruitcount.store.mark_sheet import (
    auto_id,
    choice_of,
    fruitlets_of,
    scale_of,
    sheet_of,
    start_line,
)
from fruitcount.types import Limb, Scale

__all__ = [
    "auto_id",
    "choice_of",
    "fruitlets_of",
    "limb_of",
    "on_card",
    "scale_of",
    "sheet_of",
    "start_line",
]


def on_card(scale: Scale, mark: rs.Mark) -> bool:
    """Whether a mark's centre lies on the scale card or its white edge, a quarter side wide."""
    if len(scale.corners_px) != 4:
        return False
    middle = scale.corners_px.mean(axis=0)
    outline = (middle + 1.5 * (scale.corners_px - middle)).astype(np.float32)
    return bool(cv2.pointPolygonTest(outline, (mark.x_px, mark.y_px), False) >= 0)


def limb_of(limb: Limb, was: Scale, scale: Scale) -> Limb:
    """The limb's lengths and diameters told with another scale; caliper readings stay."""
    if scale is was:
        return limb
    factor = scale.mm_per_px / was.mm_per_px if was.known else float("nan")
    by_caliper = limb.diameter_source == "caliper"
    thick = (limb.base_diameter_mm, limb.tip_diameter_mm)
    if not by_caliper:
        widths = limb.width_px[np.isfinite(limb.width_px)]
        known = len(widths) > 0 and not was.known
        thick = (
            (float(widths[0]) * scale.mm_per_px, float(widths[-1]) * scale.mm_per_px)
            if known
            else (thick[0] * factor, thick[1] * factor)
        )
    return replace(
        limb,
        length_mm=limb.length_px * scale.mm_per_px,
        base_diameter_mm=thick[0],
        tip_diameter_mm=thick[1],
        diameter_source=limb.diameter_source
        if by_caliper
        else ("photo" if scale.known else "none"),
        shoots=tuple(replace(s, base_diameter_mm=s.base_diameter_mm * factor) for s in limb.shoots),
    )
