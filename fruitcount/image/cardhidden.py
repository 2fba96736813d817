"""Cards that a leaf, a fruit or a stake covers in part: what is left of the square tells the rest.

The usual search wants an unbroken square. Here the dark region's convex hull bridges what cuts
into it, the hull's four long sides meet in the corners, covered or not, and the squares are read
with one of sixteen allowed to be wrong. The white rim must be there, so that nothing else passes
for a card.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitcount.image.cardfit import fit_sides, meeting_corners, side_lengths_px
from fruitcount.image.opencv import card_pattern, cv2
from fruitcount.types import FloatArray, Pixels

# On the picture that is searched.
SMALLEST_SIDE_PX = 24.0

# A dark place lies in a window so wide, as a share of the long side, and is so much darker, of 255,
# than the mean there: fruit are darker than the sky, a card's square is darker than fruit. Our
# choice, as are the limits below; set on drawn and path-traced cards.
_DARK = ((0.03, 12.0), (0.08, 12.0), (0.08, 45.0))

# Least share of the hull that the region fills: the border alone is over half of it, when a covered
# place opens it to the squares within.
_FULL_FRAC = 0.45

# Most of the outline that may be covered.
_BROKEN_FRAC = 0.5

# Neighbouring sides of a card do not meet at a smaller angle.
_LEAST_SINE = 0.2

_ROUNDS = 3

# Most by which opposite sides differ: 1.19 for a card leaning by 45 degrees at a distance of four
# times its side.
_MOST_TAPER = 1.2

# Least step from the black border to the white rim, of 255, and least share of either that shows
# it.
_LEAST_STEP = 30.0
_LEAST_SHARE = 0.7

# A square is plainly black or white when it differs no more from the border or the rim, as a share
# of the step.
_CLEAR = 0.3

# No square is so much brighter than the rim, of the same paper, as this multiple of the step.
_BRIGHTEST = 1.6

# How much may be mended in reading (0 nothing, 1 one square of the sixteen), and the least share of
# plain squares with which that is believed.
_READ_WITH = ((0.0, 0.6), (1.0, 0.8))

_RIM = np.ones((8, 8), bool)
_RIM[1:7, 1:7] = False
_BORDER = ~_RIM
_BORDER[2:6, 2:6] = False

# In squares, from the border's outer corner: its corners, and nine places in each square.
_SQUARE = np.array([[0, 0], [6, 0], [6, 6], [0, 6]], np.float32)
_STEPS = (np.arange(24) + 0.5) / 3 - 1
_PLACES = np.stack(np.meshgrid(_STEPS, _STEPS), axis=-1).reshape(-1, 1, 2)


def markers_in_part(grey: Pixels) -> list[tuple[FloatArray, int]]:
    """Corners, shape (4, 2), and number of each card of which most is in sight."""
    found: list[tuple[FloatArray, int]] = []
    for hull in _hulls(grey):
        rough = None if any(_holds(c, hull.mean(axis=0)) for c, _ in found) else _quad(hull)
        if rough is None or _cells(grey, rough) is None:
            continue
        corners = _fitted(grey, rough)
        read = None if corners is None else _read(grey, corners)
        if corners is not None and read is not None:
            number, turns = read
            found.append((np.roll(corners, turns, axis=0), number))
    return found


def _holds(corners_px: FloatArray, point: FloatArray) -> bool:
    outline = corners_px.astype(np.float32)
    return cv2.pointPolygonTest(outline, (float(point[0]), float(point[1])), False) >= 0


def _fitted(grey: Pixels, corners: FloatArray) -> FloatArray | None:
    """Corners from the sides as far as they are in sight; None when they are no card's."""
    for _ in range(_ROUNDS):  # a covered corner may start far off
        fit = fit_sides(grey, corners)
        if not fit.broken_frac <= _BROKEN_FRAC:
            return None
        corners = fit.corners_px
    side = side_lengths_px(corners)
    alike = np.abs(np.log(side[:2] / side[2:])).max() < np.log(_MOST_TAPER)
    return corners if alike else None


def _hulls(grey: Pixels) -> list[FloatArray]:
    """Convex hulls of dark regions that could be a card's square, as photographed or mended."""
    long_px = max(grey.shape)
    out: list[FloatArray] = []
    for picture in _mended(grey):
        for share, darker_by in _DARK:
            window = max(15, round(share * long_px)) | 1
            dark = cv2.adaptiveThreshold(
                picture, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, window, darker_by
            )
            contours, _ = cv2.findContours(dark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
            hulls = (_hull_of(np.asarray(contour)) for contour in contours)
            out += [hull for hull in hulls if hull is not None]
    return out


def _mended(grey: Pixels) -> list[Pixels]:
    """The picture; without thin dark things; without thin light ones."""
    width = max(3, round(0.007 * max(grey.shape)))
    kernel = np.ones((width, width), np.uint8)
    return [
        grey,
        np.asarray(cv2.morphologyEx(grey, cv2.MORPH_CLOSE, kernel), np.uint8),
        np.asarray(cv2.morphologyEx(grey, cv2.MORPH_OPEN, kernel), np.uint8),
    ]


def _hull_of(contour: NDArray[np.integer]) -> FloatArray | None:
    if len(contour) < 4:
        return None
    area = cv2.contourArea(contour)
    if area < _FULL_FRAC * SMALLEST_SIDE_PX**2:
        return None
    hull = cv2.convexHull(contour)
    if area < _FULL_FRAC * cv2.contourArea(hull):
        return None
    return np.asarray(hull.reshape(-1, 2), np.float64)


def _quad(hull: FloatArray) -> FloatArray | None:
    """Corners where the four long sides of a hull meet; None when it has no four such sides."""
    around = cv2.arcLength(hull.astype(np.float32), True)
    sides = (
        cv2.approxPolyDP(hull.astype(np.float32), 0.03 * around, True)
        .reshape(-1, 2)
        .astype(np.float64)
    )
    if not 4 <= len(sides) <= 7:
        return None
    ends = np.roll(sides, -1, axis=0)
    length = np.linalg.norm(ends - sides, axis=1)
    longest = np.sort(np.argsort(-length)[:4])
    lines = [(sides[k], ends[k] - sides[k]) for k in longest]
    quad = meeting_corners(lines, _LEAST_SINE)
    if not np.isfinite(quad).all() or not cv2.isContourConvex(quad.astype(np.float32)):
        return None
    side = side_lengths_px(quad)
    ratio = cv2.contourArea(quad.astype(np.float32)) / max(
        cv2.contourArea(hull.astype(np.float32)), 1.0
    )
    plausible = side.min() >= SMALLEST_SIDE_PX and side.max() < 2.5 * side.min()
    return quad if plausible and 0.9 < ratio < 1.4 else None


def _read(grey: Pixels, corners_px: FloatArray) -> tuple[int, int] | None:
    """Number and quarter turns of the card with these corners; None when it is none."""
    cells = _cells(grey, corners_px)
    if cells is None or cells[2:6, 2:6].max() > _BRIGHTEST:
        return None
    light = (cells > 0.5)[2:6, 2:6]
    plain = float(np.mean(np.abs(cells[2:6, 2:6] - light) < _CLEAR))
    dictionary = card_pattern()
    for mended, least in _READ_WITH:
        known, number, turns = dictionary.identify(light.astype(np.uint8), mended)
        if known and plain >= least:
            return int(number), int(turns)
    return None


def _cells(grey: Pixels, corners_px: FloatArray) -> FloatArray | None:
    """The card's 8 by 8 squares, rim included: 0 as the border, 1 as the rim; None when no card's.

    The middle of each square is read at nine places.
    """
    turn = cv2.getPerspectiveTransform(_SQUARE, corners_px.astype(np.float32))
    x, y = np.rint(cv2.perspectiveTransform(_PLACES, turn)[:, 0]).astype(int).T
    rows, columns = grey.shape
    seen = grey[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)].astype(np.float64)
    cells = np.median(seen.reshape(8, 3, 8, 3), axis=(1, 3))
    dark, light = np.median(cells[_BORDER]), np.median(cells[_RIM])
    if light - dark < _LEAST_STEP:
        return None
    told = (cells - dark) / (light - dark)
    dark_share, light_share = np.mean(told[_BORDER] < 0.5), np.mean(told[_RIM] > 0.5)
    return told if min(dark_share, light_share) >= _LEAST_SHARE else None
