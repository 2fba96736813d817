"""The detection stage as one call: maps in, fruitlets out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitcount.detect.blobs import circles_from_maps
from fruitcount.detect.classify import fruit_colours, kinds, scar_frac, yellow_clues, yellow_frac
from fruitcount.detect.settings import DetectSettings
from fruitcount.detect.size import RADIUS_LOG_SD, Sizes, diameters_mm, measure_sizes
from fruitcount.image.light import photo_light
from fruitcount.types import FloatArray, Fruitlets, Maps, Photo, Scale

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
    if len(x) == 0:
        return Fruitlets.empty()
    circles = np.stack([x, y, r], axis=1)
    sizes = measure_sizes(photo.rgb, circles, RADIUS_LOG_SD.get(maps.source, 0.15))
    diameter, sd = diameters_mm(sizes, scale)
    shown = _at(maps, maps.visible, circles)
    found = Fruitlets.from_columns(
        x_px=sizes.x_px,
        y_px=sizes.y_px,
        r_px=sizes.r_px,
        score=score,
        roundness_frac=sizes.roundness_frac,
        visible_frac=np.where(np.isfinite(shown), shown, sizes.visible_frac),
        diameter_mm=diameter,
        diameter_sd_mm=sd,
    )
    found = _classified(found, photo, scale, sizes, _at(maps, maps.yellow, circles))
    if not scale.known:
        return found
    return found.take((diameter >= rules.smallest_mm) & (diameter <= rules.largest_mm))


def _classified(
    found: Fruitlets, photo: Photo, scale: Scale, sizes: Sizes, net_chance: FloatArray
) -> Fruitlets:
    light = photo_light(photo.rgb, scale)
    clues = yellow_clues(fruit_colours(sizes.rim), found.r_px, found.score, light)
    yellow = yellow_frac(clues, net_chance)
    scar = scar_frac(sizes.rim, light)
    kind = kinds(yellow, found.roundness_frac, scar, trust_colour=not light.strong)
    return found.with_columns(kind=kind, yellow_frac=yellow)


def _at(maps: Maps, channel: NDArray[np.float32], circles_px: FloatArray) -> FloatArray:
    """A map's value at each centre; NaN where the map is not told."""
    if channel.shape != maps.fruitness.shape:
        return np.full(len(circles_px), np.nan)
    cell = np.rint((circles_px[:, :2] + 0.5) / maps.px_per_cell - 0.5).astype(int)
    col, row = (np.clip(cell[:, i], 0, channel.shape[1 - i] - 1) for i in (0, 1))
    return np.asarray(channel[row, col], np.float64)
