"""The detection stage as one call: maps in, fruitlets out."""

from __future__ import annotations

import numpy as np

from fruitcount.detect.blobs import circles_from_maps
from fruitcount.detect.settings import DetectSettings
from fruitcount.types import Fruitlets, Maps, Photo, Scale

__all__ = ["find_fruitlets"]


def find_fruitlets(
    photo: Photo, maps: Maps, scale: Scale, settings: DetectSettings | None = None
) -> Fruitlets:
    """Fruitlets of a photo, from either source of fruitness.

    Parameters
    ----------
    photo : Photo
    maps : Maps
        Of that photo.
    scale : Scale
        Where known, diameters in mm are filled and sizes outside the settings' range dropped.
    settings : DetectSettings, optional

    Returns
    -------
    Fruitlets
        Best score first; place on the limb is left unmeasured.
    """
    rules = settings or DetectSettings()
    x, y, r, score = circles_from_maps(maps, rules.threshold_for(maps.source), rules.overlap_frac)
    if scale.known:
        diameter = 2 * r * scale.mm_per_px
        fits = (diameter >= rules.smallest_mm) & (diameter <= rules.largest_mm)
        x, y, r, score = x[fits], y[fits], r[fits], score[fits]
    found = Fruitlets.from_columns(x_px=x, y_px=y, r_px=r, score=score)
    if not scale.known:
        return found
    diameter = 2 * found.r_px * scale.mm_per_px
    sd = diameter * np.hypot(0.08, scale.rel_sd_frac)
    return found.with_columns(diameter_mm=diameter, diameter_sd_mm=sd)
