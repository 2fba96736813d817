"""Whether a photo is sharp and lit well enough; the colour of its light; a sheet behind the limb.

Sharpness and darkness are measured on the photo reduced to one size, so that they do not depend on
megapixels. The thresholds come from an experiment of our own (see each constant), not from a
publication.

The colour of the light is told from the scale card's white paper, else from foliage. All ratios
are of linear light (sRGB's transfer curve undone, IEC 61966-2-1), as logarithms: a coloured light
then adds the same amount to every surface.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitcount.flags import Flag
from fruitcount.image.opencv import cv2, of_last_photo, reduced_to, size_at, whole_step
from fruitcount.types import F32, BoolArray, FloatArray, Photo, Pixels, Scale

_LONG_SIDE_PX = 1024


# Smallest acceptable :attr:`QualityMeasures.sharpness`. Larger calls more photos blurred. Fourteen
# sharp phone photos of peach limbs measured 1.99 to 2.82; the same photos after a Gaussian of 0.1 %
# of the long side 1.59 to 1.90, of 0.2 % 1.29 to 1.37.
MIN_SHARPNESS = 1.5

# Largest acceptable share of pixels darker than 20 of 255. Larger accepts darker photos.
MAX_DARK_FRAC = 0.6

# Smallest acceptable median grey value, 0-255. Larger calls more photos dark.
MIN_MEDIAN = 30.0

# Largest acceptable share of burnt-out pixels (250 or more) that are not a smooth sky. Larger
# accepts brighter photos.
MAX_BRIGHT_FRAC = 0.35

# Largest acceptable median grey value. Larger accepts brighter photos.
MAX_MEDIAN = 225.0


@dataclass(frozen=True)
class QualityMeasures:
    """What was measured.

    Attributes
    ----------
    sharpness : float
        Edge contrast lost by a known blur: the 99th percentile of the gradient divided by the
        same after a Gaussian of 2 px on the reduced photo. A sharp photo loses much (ratio well
        over 1), a blurred one has little left to lose (ratio near 1). NaN on a flat picture.
    dark_frac, bright_frac : float
        Shares of pixels under 20 and from 250 up.
    median : float
        Median grey value, 0-255.
    """

    sharpness: float
    dark_frac: float
    bright_frac: float
    median: float


def photo_quality(photo: Photo) -> Flag:
    """Flags for blur, darkness and over-exposure.

    Parameters
    ----------
    photo : Photo

    Returns
    -------
    Flag
        Any of ``PHOTO_BLURRED``, ``PHOTO_DARK``, ``PHOTO_BRIGHT``; ``NONE`` for a good photo.
    """
    seen = measure_quality(photo.rgb)
    flags = Flag.NONE
    if not seen.sharpness >= MIN_SHARPNESS:  # NaN, a flat picture, counts as blurred
        flags |= Flag.PHOTO_BLURRED
    if seen.dark_frac > MAX_DARK_FRAC or seen.median < MIN_MEDIAN:
        flags |= Flag.PHOTO_DARK
    if seen.bright_frac > MAX_BRIGHT_FRAC or seen.median > MAX_MEDIAN:
        flags |= Flag.PHOTO_BRIGHT
    return flags


def measure_quality(rgb: Pixels) -> QualityMeasures:
    """Measure sharpness and exposure of an upright uint8 RGB picture (see QualityMeasures).

    ``rgb`` has shape (rows, columns, 3).
    """
    grey = cv2.cvtColor(_reduced(rgb), cv2.COLOR_RGB2GRAY)
    count = cv2.calcHist([grey], [0], None, [256], [0, 256]).ravel()
    return QualityMeasures(
        sharpness=_sharpness(grey.astype(np.float32)),
        dark_frac=float(count[:20].sum() / grey.size),
        bright_frac=float(count[250:].sum() / grey.size),
        median=float(np.median(grey)),
    )


def _reduced(rgb: Pixels) -> Pixels:
    factor = whole_step(_LONG_SIDE_PX / max(rgb.shape[:2]))
    return rgb if factor >= 1 else reduced_to(rgb, size_at(rgb, factor))


def _sharpness(grey: F32) -> float:
    before = _top_gradient(grey)
    after = _top_gradient(cv2.GaussianBlur(grey, (0, 0), 2.0))
    return before / after if after > 1.0 else float("nan")


def _top_gradient(grey: NDArray[Any]) -> float:
    dx = cv2.Sobel(grey, cv2.CV_32F, 1, 0)
    dy = cv2.Sobel(grey, cv2.CV_32F, 0, 1)
    return float(np.quantile(cv2.magnitude(dx, dy), 0.99))


# ln(red / green) of foliage by daylight. Medians of open sets: cherry -0.6, pear -0.32, apple
# -0.23, phone photos of peach -0.45, rendered limbs -0.3 (25 photos of each).
USUAL_LEAF_RED_GREEN = -0.42

# Share of a difference from it that is put down to the light: half of it is species and season.
LEAF_TRUST = 0.5

# |ln| of the light's red/green or blue/green beyond which colours are not trusted: our choice;
# indoor lamp light lies beyond it.
STRONG_CAST = 0.45

# Added to linear values before the logarithm: about one grey level of 255 in the dark end.
FLOOR = 0.004


@dataclass(frozen=True)
class Light:
    """The light of one photo.

    Attributes
    ----------
    red_green, blue_green : float
        ln of the light's red and blue against green; 0 is neutral. ``blue_green`` is NaN where
        foliage was the reference, since its own blue varies too much.
    source : {"card", "leaves", "none"}
    """

    red_green: float = 0.0
    blue_green: float = float("nan")
    source: str = "none"

    @property
    def strong(self) -> bool:
        """Whether the light is too coloured, or unknown, for colours to be trusted."""
        casts = np.nan_to_num([self.red_green, self.blue_green])
        return self.source == "none" or bool(np.abs(casts).max() > STRONG_CAST)


def linear(rgb: NDArray[np.generic]) -> FloatArray:
    """Linear light, 0 to 1, of sRGB values 0 to 255 (IEC 61966-2-1).

    Lenses blur light, not sRGB numbers: on the linear scale the middle of a blurred edge is the
    edge, on the sRGB scale it lies on the dark side of it. Any shape, which the result has too.
    """
    share = np.asarray(rgb, np.float64) / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def log_ratios(light: FloatArray) -> FloatArray:
    """ln(red / green), ln(blue / green) of linear values, shape (..., 3) to (..., 2)."""
    logs = np.log(light + FLOOR)
    return np.asarray(logs[..., ::2] - logs[..., 1:2])


def photo_light(rgb: Pixels, scale: Scale) -> Light:
    """Estimate the light.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)
    scale : Scale
        Where it came from a card, the card's white edge is the reference.

    Returns
    -------
    Light
        From the card, else from the foliage, else ``source="none"``.
    """
    paper = _paper(rgb, scale)
    if len(paper) >= 20:
        red, blue = log_ratios(np.median(linear(paper), axis=0))
        return Light(float(red), float(blue), "card")
    size = (160, max(1, round(160 * rgb.shape[0] / rgb.shape[1])))
    small = reduced_to(rgb, size).reshape(-1, 3)
    ratios = log_ratios(linear(small))
    green = (ratios[:, 1] < -0.3) & (ratios[:, 0] < 0.3) & (small[:, 1] > 25)
    if green.mean() < 0.03:
        return Light()
    cast = float(np.median(ratios[green, 0])) - USUAL_LEAF_RED_GREEN
    return Light(LEAF_TRUST * cast, source="leaves")


def _paper(rgb: Pixels, scale: Scale) -> Pixels:
    """Pixels of the card's white edge that are neither burnt out nor in deep shade."""
    corners = scale.corners_px
    if scale.source != "card" or len(corners) != 4:
        return np.zeros((0, 3), np.uint8)
    share = np.linspace(0, 1, 24)[:, None]
    sides = [corners[k] * (1 - share) + corners[(k + 1) % 4] * share for k in range(4)]
    middle = corners.mean(axis=0)
    line = np.concatenate(sides) - middle
    at = np.rint(middle + np.concatenate([1.1 * line, 1.17 * line])).astype(int)
    inside = (at >= 0).all(1) & (at[:, 0] < rgb.shape[1]) & (at[:, 1] < rgb.shape[0])
    pixels = rgb[at[inside, 1], at[inside, 0]]
    good = (pixels.max(axis=1) < 250) & (pixels.min(axis=1) > 30)
    bright = pixels.mean(axis=1) > 0.6 * np.percentile(pixels, 90) if len(pixels) else good
    return np.asarray(pixels[good & bright], np.uint8)


def colour_doubt(photo: Photo, scale: Scale) -> Flag:
    """``COLOUR_DOUBTFUL`` when the light is too coloured to tell yellowing fruit, else none.

    Parameters
    ----------
    photo : Photo
    scale : Scale
        A card in it makes the light known much better than foliage does.
    """
    return Flag.COLOUR_DOUBTFUL if photo_light(photo.rgb, scale).strong else Flag.NONE


# Long side at which it is looked for.
SIDE_PX = 200

# A sheet is white, grey or black (CIE a, b nearer to 0 than this) or blue (b under that).
GREY_CHROMA, BLUE_B = 11.0, -12.0

# Lightness changes less than this from a place to its neighbours: folds do, leaves do not.
FLAT_STEP = 7.0

# Share of the frame that its outline takes, and share of the outline that is plain.
LEAST_FRAME, LEAST_FILL = 0.22, 0.4

# Wrinkles: median difference of lightness from its surroundings; and share that is pure white. All
# set on `branches-before-a-sheet`, where 29 of 34 sheets are seen, and on 140 cherry, apple and
# pear tiles without one, many before the sky, where one is; on 54 coffee and peach photos, not used
# to set it, none is.
LEAST_RELIEF, MOST_BURNT = 0.6, 0.5

# Straight edges within the photo that make a board of what is even. Of 1,500 tiles and photos of
# cherries, apples, pears and peaches, 240 of them before the sky, none has more than two.
BOARD_EDGES = 3

# Share of the fruit that lie before a sheet that was hung behind a limb: on six drawn scenes with
# other limbs about 0.29 to 1; of twelve photos of cherries before a tunnel nine had none.
LEAST_BEFORE = 0.25

# The same of the limb. On six path-traced limbs, each before a sheet that it left by a quarter or
# more of its length, what lay beside the sheet was the limb's own.
LEAST_LIMB_BEFORE = 0.9


@of_last_photo
def backdrop(rgb: Pixels) -> FloatArray:
    """Outline of a plain sheet behind the limb.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)

    Returns
    -------
    float array, shape (K, 2)
        Photo x, y of its convex outline; shape (0, 2) where no sheet is seen. A board or a sheet
        without any fold looks like sky unless three of its edges are in the photo.
    """
    columns, factor = rgb.shape[1], SIDE_PX / max(rgb.shape[:2])
    small = reduced_to(rgb, size_at(rgb, factor), spare=2) if factor < 1 else rgb
    unit = np.asarray(small, np.float32) / np.float32(255)
    lab = np.asarray(cv2.cvtColor(unit, cv2.COLOR_RGB2LAB), np.float32)
    plain = _plain(lab)
    count, label, stats, _ = cv2.connectedComponentsWithStats(plain, connectivity=4)
    if count < 2:
        return np.zeros((0, 2))
    most = stats[1:, cv2.CC_STAT_AREA].max()
    # a limb may cut the sheet in pieces
    pieces = [k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] > 0.04 * most]
    mask = np.isin(label, pieces).astype(np.uint8)
    hull = cv2.convexHull(cv2.findNonZero(mask))[:, 0]
    area = float(cv2.contourArea(hull.astype(np.float32)))
    whole = float(plain.size)
    large = area >= LEAST_FRAME * whole and mask.sum() >= LEAST_FILL * area
    light = np.ascontiguousarray(lab[..., 0])
    if not (large and (_is_cloth(light, plain) or _edges_n(mask, hull) >= BOARD_EDGES)):
        return np.zeros((0, 2))
    return np.asarray((hull + 0.5) * (columns / plain.shape[1]) - 0.5, np.float64)


def inside(outline: FloatArray, x: FloatArray, y: FloatArray) -> BoolArray:
    """Whether each place lies before the sheet; all do where there is none.

    Parameters
    ----------
    outline : float array, shape (K, 2)
        From :func:`backdrop`: photo x, y.
    x, y : float arrays of one shape
        Places in photo pixels.

    Returns
    -------
    bool array, the shape of ``x``
    """
    if len(outline) < 3:
        return np.ones(np.shape(x), bool)
    nxt = np.roll(outline, -1, axis=0) - outline
    off_x, off_y = x[..., None] - outline[:, 0], y[..., None] - outline[:, 1]
    side = nxt[:, 0] * off_y - nxt[:, 1] * off_x
    return np.asarray((side >= 0).all(axis=-1) | (side <= 0).all(axis=-1))


def sheet_behind(
    rgb: Pixels, x_px: FloatArray, y_px: FloatArray, line_px: FloatArray | None = None
) -> FloatArray:
    """The sheet's outline, where fruit and limb found say that it was hung behind the limb.

    A tunnel, a wall or a tent behind the trees looks the same, but few fruit lie before it; bare
    ground does too, but a limb runs out of it. A limb that is longer than its sheet has fruit
    beside it.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)
    x_px, y_px : float arrays, shape (N,)
        Fruit found on the photo.
    line_px : float array, shape (M, 2), optional
        The limb found.

    Returns
    -------
    float array, shape (K, 2)
        As of :func:`backdrop`; shape (0, 2) where less than ``LEAST_BEFORE`` of the fruit or
        ``LEAST_LIMB_BEFORE`` of the limb lie before it.
    """
    outline = backdrop(rgb)
    asked = [(inside(outline, x_px, y_px), LEAST_BEFORE)]
    if line_px is not None:
        asked.append((inside(outline, *line_px.T), LEAST_LIMB_BEFORE))
    seldom = any(len(before) and before.mean() < least for before, least in asked)
    return outline[:0] if seldom else outline


def _plain(lab: F32) -> Pixels:
    # the median smooths away the weave of a cloth and thin stalks before it, not leaves
    smooth = cv2.medianBlur(lab, 5)
    light, a, b = (np.ascontiguousarray(smooth[..., k]) for k in range(3))
    grey = np.hypot(a, b) < GREY_CHROMA
    blue = (b < BLUE_B) & (b < -1.2 * np.abs(a))
    step = cv2.morphologyEx(light, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    flat = ((grey | blue) & (step < FLAT_STEP)).astype(np.uint8)
    return np.asarray(cv2.morphologyEx(flat, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)), np.uint8)


def _is_cloth(light: F32, plain: Pixels) -> bool:
    """Wrinkled and not burnt out. An even sky, which may stand below a trunk, is neither."""
    within = cv2.erode(plain, np.ones((5, 5), np.uint8)) > 0
    if not within.any() or float((light[within] > 98.5).mean()) > MOST_BURNT:
        return False
    relief = np.abs(light - cv2.GaussianBlur(light, (0, 0), 3))[within]
    return bool(np.median(relief) >= LEAST_RELIEF)


def _edges_n(mask: Pixels, hull: NDArray[Any]) -> int:
    """Long straight edges of a plain part that are not the photo's own, most of each in sight."""
    rows, columns = mask.shape
    round_px = cv2.arcLength(hull.astype(np.float32), True)
    corners = cv2.approxPolyDP(hull.astype(np.float32), 0.025 * round_px, True)[:, 0]
    outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    border = np.concatenate([line[:, 0] for line in outlines])
    n = 0
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        long = float(np.hypot(*(end - start)))
        both = np.stack([start, end])
        outer = (both <= 3).all(axis=0) | (both >= np.array([columns, rows]) - 4).all(axis=0)
        if long < 0.25 * min(rows, columns) or outer.any():
            continue
        ahead = (end - start) / long
        along, aside = np.stack([ahead, ahead[::-1] * (-1, 1)]) @ (border - start).T
        seen = np.unique(along[(np.abs(aside) < 1.6) & (along >= 0) & (along <= long)].astype(int))
        n += len(seen) > 0.6 * long
    return n
