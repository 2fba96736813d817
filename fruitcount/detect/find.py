"""The detection stage as one call: maps in, fruitlets out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitcount.detect.blobs import circles_from_maps
from fruitcount.detect.classify import fruit_colours, kinds, scar_frac
from fruitcount.detect.rescore import LARGEST_GAIN, calibrated_score
from fruitcount.detect.settings import DetectSettings
from fruitcount.detect.size import RADIUS_LOG_SD, Sizes, diameters_mm, measure_sizes
from fruitcount.detect.yellow import yellow_clues, yellow_frac
from fruitcount.image.light import photo_light
from fruitcount.types import FloatArray, Fruitlets, Maps, Photo, Scale


def find_fruitlets(
    photo: Photo, maps: Maps, scale: Scale, settings: DetectSettings | None = None
) -> Fruitlets:
    """Fruitlets of a photo, from either source of heatmap.

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
    found, sizes, net_chance = measured(photo, maps, scale, rules)
    if len(found) == 0:
        return found
    light = photo_light(photo.rgb, scale)
    clues = yellow_clues(fruit_colours(sizes.rim), found.r_px, found.score, light)
    yellow = yellow_frac(clues, found.score, net_chance, found.r_px)
    scar = scar_frac(sizes.rim, light)
    kind = kinds(yellow, found.roundness_frac, scar, trust_colour=not light.strong)
    found = found.with_columns(kind=kind, yellow_frac=yellow)
    if not scale.known:
        return found
    size = found.diameter_mm
    return found.take((size >= rules.smallest_mm) & (size <= rules.largest_mm))


def measured(
    photo: Photo, maps: Maps, scale: Scale, rules: DetectSettings
) -> tuple[Fruitlets, Sizes, FloatArray]:
    """Marks with their sizes, before it is told what each is.

    ``net_chance`` has shape (N,), one a mark.

    Returns
    -------
    found : Fruitlets
        Best score first.
    sizes : Sizes
        Of the same marks.
    net_chance : float array
        The trained net's chance of yellowing at each mark; NaN where not told.
    """
    lowest = rules.threshold_for(maps.source)
    trained = maps.source == "trained"
    candidates_from = lowest * np.exp(-LARGEST_GAIN) if trained else lowest
    x, y, r, score = circles_from_maps(maps, candidates_from, rules.overlap_frac)
    circles = np.stack([x, y, r], axis=1)
    sizes = measure_sizes(photo.rgb, circles, RADIUS_LOG_SD.get(maps.source, 0.15))
    if trained:
        score = calibrated_score(score, sizes.r_px, maps.px_per_cell)
    best = np.argsort(-score, kind="stable")
    best = best[score[best] >= lowest]
    sizes, circles = sizes.take(best), circles[best]
    diameter, sd = diameters_mm(sizes, scale)
    shown = _at(maps, maps.visible, circles)
    found = Fruitlets.from_columns(
        x_px=sizes.x_px,
        y_px=sizes.y_px,
        r_px=sizes.r_px,
        score=score[best],
        roundness_frac=sizes.roundness_frac,
        visible_frac=np.where(np.isfinite(shown), shown, sizes.visible_frac),
        diameter_mm=diameter,
        diameter_sd_mm=sd,
    )
    return found, sizes, _at(maps, maps.yellow, circles)


def _at(maps: Maps, channel: NDArray[np.float32], circles_px: FloatArray) -> FloatArray:
    """A map's value at each centre; NaN where the map is not told."""
    if channel.shape != maps.heatmap.shape:
        return np.full(len(circles_px), np.nan)
    cell = np.rint((circles_px[:, :2] + 0.5) / maps.px_per_cell - 0.5).astype(int)
    col, row = (np.clip(cell[:, i], 0, channel.shape[1 - i] - 1) for i in (0, 1))
    return np.asarray(channel[row, col], np.float64)
