"""The detection stage as one call: maps in, fruitlets out; the count's doubts and its range."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import expit

from fruitcount.detect.circles import joined_marks
from fruitcount.detect.classify import fruit_colours, kinds, scar_frac, yellow_clues, yellow_frac
from fruitcount.detect.heatmap import DetectSettings
from fruitcount.detect.size import RADIUS_LOG_SD, Sizes, diameters_mm, measure_sizes
from fruitcount.flags import Flag
from fruitcount.image.quality import photo_light
from fruitcount.types import (
    F32,
    LARGEST_FRUIT_MM,
    SMALLEST_FRUIT_MM,
    FloatArray,
    Fruitlets,
    Kind,
    Maps,
    Photo,
    Scale,
)


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
    kind = kinds(yellow, found.roundness_frac, scar, net_chance, trust_colour=not light.strong)
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
    x, y, r, score = joined_marks(maps)
    kept = score >= lowest
    circles = np.stack([x, y, r], axis=1)[kept]
    sizes = measure_sizes(photo.rgb, circles, RADIUS_LOG_SD.get(maps.source, 0.15))
    diameter, sd = diameters_mm(sizes, scale)
    shown = _at(maps, maps.visible, circles)
    found = Fruitlets.from_columns(
        x_px=sizes.x_px,
        y_px=sizes.y_px,
        r_px=sizes.r_px,
        score=score[kept],
        roundness_frac=sizes.roundness_frac,
        visible_frac=np.where(np.isfinite(shown), shown, sizes.visible_frac),
        diameter_mm=diameter,
        diameter_sd_mm=sd,
    )
    return found, sizes, _at(maps, maps.yellow, circles)


def _at(maps: Maps, channel: F32, circles_px: FloatArray) -> FloatArray:
    """A map's value at each centre; NaN where the map is not told."""
    if channel.shape != maps.heatmap.shape:
        return np.full(len(circles_px), np.nan)
    cell = np.rint((circles_px[:, :2] + 0.5) / maps.px_per_cell - 0.5).astype(int)
    col, row = (np.clip(cell[:, i], 0, channel.shape[1 - i] - 1) for i in (0, 1))
    return np.asarray(channel[row, col], np.float64)


# A mark whose score is within this of the threshold is "doubtful"; when more than a third of the
# marks are, the photo as a whole is. Our choice.
DOUBT_MARGIN = 0.17
MANY_DOUBTFUL_FRAC = 1 / 3


def count_flags(fruitlets: Fruitlets, so_far: Flag, threshold: float) -> Flag:
    """Doubts about the count and the sizes, of a photo as measured or as corrected by hand.

    Parameters
    ----------
    fruitlets : Fruitlets
        Placed along the limb; those by hand are sure.
    so_far : Flag
        Flags of photo, scale and limb.
    threshold : float
        Lowest score kept. Higher calls more of the fruit doubtful.
    """
    poor = so_far & (Flag.PHOTO_BLURRED | Flag.PHOTO_DARK | Flag.PHOTO_BRIGHT)
    if poor and not fruitlets.counts_as_crop.any() and not fruitlets.by_hand.any():
        # Never "0 fruit" from a photo on which none could have been seen.
        return Flag.COUNT_UNKNOWN
    if len(fruitlets) == 0:
        # Neither card nor limb nor fruit: a lawn, say. That is not a limb without fruit.
        nothing = so_far & Flag.NO_SCALE and so_far & Flag.LIMB_NOT_FOUND
        return Flag.COUNT_UNKNOWN if nothing else Flag.NO_FRUIT_SEEN
    flags = Flag.NONE
    unsure = ~fruitlets.by_hand & (fruitlets.score < threshold + DOUBT_MARGIN)
    if float(np.mean(unsure)) > MANY_DOUBTFUL_FRAC:
        flags |= Flag.MANY_DOUBTFUL
    middle = float(np.median(fruitlets.diameter_mm)) if so_far & Flag.NO_SCALE == 0 else np.nan
    if np.isfinite(middle) and not SMALLEST_FRUIT_MM <= middle <= LARGEST_FRUIT_MM:
        flags |= Flag.SIZES_OUT_OF_RANGE
    return flags


NO_RANGE = (math.nan, math.nan)

# Log-odds that a fruit is found, and what it loses: under :data:`SMALL_R_PX`; for each neighbour
# within three radii beyond two; for the share of it that is hidden beyond a fifth.
USUAL_ODDS, SMALL_ODDS, CROWD_ODDS, HIDDEN_ODDS = 2.3, 1.4, 0.3, 2.0

SMALL_R_PX = 8.0

# Fruit missed on a photo whatever was found on it.
BASE_MISSED = 0.35

# How far photos differ in what is missed, as a share of the fruit found.
SPREAD = 0.1

# Standard deviations below and above the expected number that hold nine in ten.
#
# The recall was fitted on 68 pictures with 824 known fruit, 60 tiles and close-ups of four crops
# that no net was taught and 8 bundled samples, all fruit of a picture compared. Whose fruit they
# are, and these two, on 51 dense renders that no net was taught, of which 46 are held; of 89 more
# dense renders 76 (66 if every mark called the limb's is its own), of 41 drawn limbs 38.
BELOW, ABOVE = 1.3, 1.2

# Log-odds that a mark called this limb's hangs on it, and what it loses: on a side shoot, for each
# radius beyond two from the line, and where all the photo's other marks are off the limb.
OWN_ODDS, SHOOT_ODDS, APART_ODDS, OTHERS_ODDS = 3.05, 2.7, 0.26, 1.6

# Log-odds that a mark called another limb's is this one's, and what it loses for each e-fold of its
# distance from the line in radii.
OTHER_OWN_ODDS, AWAY_ODDS = 6.0, 2.9

UNTOLD = Flag.COUNT_UNKNOWN | Flag.LIMB_UNSURE


def recall_of(fruitlets: Fruitlets) -> FloatArray:
    """Chance that fruit like each of these is found, 0 to 1, shape (N,).

    Lower for small fruit, hidden fruit, and fruit among others.
    """
    x, y, r = fruitlets.x_px, fruitlets.y_px, np.maximum(fruitlets.r_px, 1.0)
    apart = np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :])
    crowd = (apart < 3 * np.maximum(r[:, None], r[None, :])).sum(axis=1) - 1
    hidden = np.clip(0.8 - np.nan_to_num(fruitlets.visible_frac, nan=0.8), 0.0, 0.5)
    odds = USUAL_ODDS - SMALL_ODDS * (r < SMALL_R_PX) - HIDDEN_ODDS * hidden
    odds = odds - CROWD_ODDS * np.clip(crowd - 2, 0, 4)
    return np.asarray(expit(odds), np.float64)


def own_chance(fruitlets: Fruitlets) -> FloatArray:
    """Chance that each of these hangs on the photographed limb, 0 to 1, shape (N,).

    Lower on side shoots, far from the line, and where much hangs on other limbs. What was marked
    by hand, or could not be placed, is taken as it is called.
    """
    radii = np.nan_to_num(fruitlets.offset_px / np.maximum(fruitlets.r_px, 1.0))
    other = fruitlets.on_limb == 0
    odds = OWN_ODDS - SHOOT_ODDS * (fruitlets.shoot >= 0) - APART_ODDS * np.clip(radii - 2, 0, 8)
    odds = odds - OTHERS_ODDS * (other.mean() if len(other) else 0.0)
    odds = np.where(other, OTHER_OWN_ODDS - AWAY_ODDS * np.log(np.clip(radii, 1, 60)), odds)
    told = fruitlets.by_hand | (fruitlets.on_limb < 0)
    return np.asarray(np.where(told, ~other, expit(odds)), np.float64)


def count_range(fruitlets: Fruitlets, flags: Flag, source: str) -> tuple[float, float]:
    """Fewest and most fruit likely to be there, of those that a person could see on the photo.

    Parameters
    ----------
    fruitlets : Fruitlets
        Placed; yellowing fruit do not count. Marks by hand are sure.
    flags : Flag
        With ``COUNT_UNKNOWN`` or ``LIMB_UNSURE`` nothing is known.
    source : str
        Heatmap source; recall was measured for ``"trained"`` alone.

    Returns
    -------
    (low, high)
        Whole numbers that hold the truth on nine of ten photos; NaN where not known. Fruit
        behind leaves and limbs, seen from no side, come on top.
    """
    if flags & UNTOLD or source != "trained":
        return NO_RANGE
    fruit = fruitlets.take(np.flatnonzero(fruitlets.kind != Kind.YELLOWING))
    here, own = fruit.counts_as_crop, own_chance(fruit)
    sure, found_n = fruit.by_hand[here], np.count_nonzero(here & ~fruit.by_hand)
    real = np.clip(0.4 + 1.2 * (np.nan_to_num(fruit.score, nan=1.0) - 0.38), 0.0, 0.98)
    there = own * np.where(fruit.by_hand, 1.0, real)
    recall = np.where(fruit.by_hand, 1.0, recall_of(fruit))
    checked = len(sure) > 0 and bool(sure.all())
    missed = float((there * (1 / recall - 1))[here].sum()) + (0.0 if checked else BASE_MISSED)
    middle = float(there.sum()) + missed
    doubt = (1 - there[here]).sum() + (there * (1 - there))[~here].sum()
    sd = math.sqrt(missed + doubt + (SPREAD * found_n) ** 2)
    return float(max(0, math.floor(middle - BELOW * sd))), float(math.ceil(middle + ABOVE * sd))
