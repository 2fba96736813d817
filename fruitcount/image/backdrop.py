"""A plain sheet, cloth or board that the grower holds behind the limb: where it is seen."""

from __future__ import annotations

import numpy as np

from fruitcount.fruitlets import F32, BoolArray, FloatArray, Pixels
from fruitcount.image.opencv import cv2
from fruitcount.image.reduce import of_last_photo, reduced_to

SIDE_PX = 200
"""Long side at which it is looked for."""

GREY_CHROMA, BLUE_B = 11.0, -12.0
"""A sheet is white, grey or black (CIE a, b nearer to 0 than this) or blue (b under that)."""

FLAT_STEP = 7.0
"""Lightness changes less than this from a place to its neighbours: folds do, leaves do not."""

LEAST_FRAME, LEAST_FILL = 0.22, 0.4
"""Share of the frame that its outline takes, and share of the outline that is plain."""

LEAST_RELIEF, MOST_BURNT = 0.6, 0.5
"""Wrinkles: median difference of lightness from its surroundings; and share that is pure white.
All set on `branches-before-a-sheet`, where 29 of 34 sheets are seen, and on 140 cherry, apple and
pear tiles without one, many before the sky, where one is; on 54 coffee and peach photos, not
used to set it, none is."""


@of_last_photo
def backdrop(rgb: Pixels) -> FloatArray:
    """Outline of a plain sheet behind the limb.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)

    Returns
    -------
    float array, shape (K, 2)
        Photo x, y of its convex outline; shape (0, 2) where no sheet is seen. A sheet or board
        without any fold looks like sky and is not seen.
    """
    rows, columns = rgb.shape[:2]
    factor = max(rows, columns) / SIDE_PX
    size = (max(1, round(columns / factor)), max(1, round(rows / factor)))
    small = reduced_to(rgb, size, spare=2) if factor > 1 else rgb
    unit = np.asarray(small, np.float32) / np.float32(255)
    lab = np.asarray(cv2.cvtColor(unit, cv2.COLOR_RGB2LAB), np.float32)
    plain = _plain(lab)
    count, label, stats, _ = cv2.connectedComponentsWithStats(plain, connectivity=4)
    if count < 2 or not _is_cloth(np.ascontiguousarray(lab[..., 0]), plain):
        return np.zeros((0, 2))
    most = stats[1:, cv2.CC_STAT_AREA].max()
    # a limb may cut the sheet in pieces
    pieces = [k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] > 0.04 * most]
    mask = np.isin(label, pieces).astype(np.uint8)
    hull = cv2.convexHull(cv2.findNonZero(mask))[:, 0]
    area = float(cv2.contourArea(hull.astype(np.float32)))
    whole = float(plain.size)
    if area < LEAST_FRAME * whole or mask.sum() < LEAST_FILL * area:
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
