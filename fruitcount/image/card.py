"""The printed scale card: an ArUco marker of the open 4x4 dictionary with 50 numbers.

The card is looked for on a reduced picture first; its four sides are then fitted on the full
picture, so that a leaf over part of a side, or over a corner, does not move the corners much.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from fruitcount.errors import positive
from fruitcount.flags import Flag
from fruitcount.image.cardfit import SideFit, card_pose, fit_sides, side_lengths_px
from fruitcount.image.cardhidden import markers_in_part
from fruitcount.image.opencv import card_pattern, cv2, reduced_to, size_at, whole_step
from fruitcount.types import BoolArray, FloatArray, Photo, Pixels, Scale

# A card's number tells its printed side: ten numbers a size.
CARD_SIDES_MM: dict[range, float] = {
    range(0, 10): 30.0,
    range(10, 20): 40.0,
    range(20, 30): 50.0,
    range(30, 40): 60.0,
    range(40, 50): 80.0,
}


# All at once is no card: leaves were read so in 1 of 138 path-traced pictures without one.
_DOUBTED = Flag.CARD_SMALL | Flag.CARD_TILTED | Flag.CARD_PARTLY_HIDDEN

# Under this side, a card that is partly hidden is none: of 402 pictures of the samples' cards made
# 18 to 32 px small, the only ones off by more than 4 % were such (18 %, where 4.7 % was told).
_LEAST_HIDDEN_PX = 30.0


# Cards with a shorter mean side are flagged ``CARD_SMALL``. Larger flags more. At 100 px half a
# pixel is half a per cent.
MIN_SIDE_PX = 100.0

# Cards tilted more are flagged ``CARD_TILTED``. Larger flags fewer.
MAX_TILT_DEG = 45.0

# Largest share of the outline that may lack its dark-to-light step before ``CARD_PARTLY_HIDDEN`` is
# raised. Larger flags fewer.
MAX_HIDDEN_FRAC = 0.06

# Two cards may differ by this share of their scale, or by three standard deviations if that is
# more, before ``CARDS_DISAGREE`` is raised. Larger flags fewer.
MAX_DISAGREEMENT_FRAC = 0.05

# How far the limb may lie before or behind the card, as a share of the distance to the camera; one
# standard deviation. 1 % is 5 mm at half a metre: a card held against the limb (common practice, no
# source).
DEPTH_SD_FRAC = 0.01

# Sizes of the reduced pictures that are searched, until one shows a card plainly. Larger finds
# smaller cards at once, slower; the full picture is searched anyway when nothing is found. Beside a
# card that is plain on the first, a second one is overlooked where its side is under 1.5 % of the
# long side.
SEARCH_LONG_SIDES_PX = (1000, 2000)

# The same for cards that are covered in part. A stake's width in the smaller picture is what can be
# mended there: a thicker one needs a smaller picture still.
_HIDDEN_LONG_SIDES_PX = (1000, 500, 320)

# Side of a card on a reduced picture from which that picture will do. Larger searches finer
# pictures more often.
PLAIN_SIDE_PX = 32.0


def card_side_mm(card_id: int) -> float:
    """Printed side in mm that a card's number stands for; NaN for an unknown number."""
    return next((s for ids, s in CARD_SIDES_MM.items() if card_id in ids), float("nan"))


def find_card(photo: Photo, side_mm: float | None = None) -> Scale:
    """Find the scale card and the scale at it.

    Parameters
    ----------
    photo : Photo
    side_mm : float, mm, optional
        The card's printed side. By default the card's number tells it (:data:`CARD_SIDES_MM`);
        a given side wins, and ``CARD_SIZE_ASSUMED`` says when it contradicts the number.

    Returns
    -------
    Scale
        ``px_per_mm`` is that of a plane that faces the camera at the depth of the card's
        centre, whatever the card's tilt: a limb beside the card is seen at this scale. Without
        a card, the empty scale with ``NO_SCALE``; what is small, steep and without its full outline
        all at once is taken for none, as is a very small one without its full outline. Of
        several cards the largest in the picture is taken.

    Raises
    ------
    BadInputError
        When ``side_mm`` is not > 0.
    """
    if side_mm is not None:
        side_mm = positive("side_mm", side_mm)
    for found in _searched(photo.rgb):
        cards = [_measure(photo.rgb, corners, number, side_mm) for corners, number in found]
        cards = [card for card in cards if not _is_none(card)]
        if cards:
            return _agree(sorted(cards, key=lambda card: -_mean_side(card.corners_px)))
    return Scale(flags=Flag.NO_SCALE)


def _is_none(card: Scale) -> bool:
    tiny = _mean_side(card.corners_px) < _LEAST_HIDDEN_PX and Flag.CARD_PARTLY_HIDDEN in card.flags
    return tiny or not _DOUBTED & ~card.flags


def on_card(
    scale: Scale, x_px: FloatArray | float, y_px: FloatArray | float, *, grow: float
) -> BoolArray:
    """Which points lie on the card; none without a card.

    Parameters
    ----------
    scale : Scale
    x_px, y_px : float arrays, shape (N,), or one number each
    grow : float
        Times its size that the card's square is taken. 1.5 takes in the white edge. Larger
        takes in more.
    """
    xs, ys = np.atleast_1d(x_px), np.atleast_1d(y_px)
    inside = np.zeros(len(xs), dtype=bool)
    if len(scale.corners_px) != 4:
        return inside
    middle = scale.corners_px.mean(axis=0)
    outline = (middle + grow * (scale.corners_px - middle)).astype(np.float32)
    for i, (x, y) in enumerate(zip(xs, ys, strict=True)):
        inside[i] = cv2.pointPolygonTest(outline, (float(x), float(y)), False) >= 0
    return inside


def _searched(rgb: Pixels) -> Iterator[list[tuple[FloatArray, int]]]:
    """Corners (4, 2) and number of each card: of reduced pictures, the full one, cards in part."""
    long_px = max(rgb.shape[:2])
    for search_px in SEARCH_LONG_SIDES_PX:
        if search_px >= 0.8 * long_px:
            break
        found = _reduced(rgb, search_px, _markers)
        plain_px = PLAIN_SIDE_PX * long_px / search_px
        last = search_px == SEARCH_LONG_SIDES_PX[-1]
        if found and (last or max(_mean_side(corners) for corners, _ in found) >= plain_px):
            yield found
    yield _markers(_grey(rgb))
    for search_px in _HIDDEN_LONG_SIDES_PX:
        yield _reduced(rgb, search_px, markers_in_part)


Finder = Callable[[Pixels], list[tuple[FloatArray, int]]]


def _grey(rgb: Pixels) -> Pixels:
    return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)


def _reduced(rgb: Pixels, long_side_px: int, finder: Finder) -> list[tuple[FloatArray, int]]:
    """What a finder sees on a smaller grey picture, in pixels of the full one."""
    rows, columns = rgb.shape[:2]
    factor = whole_step(min(1.0, long_side_px / max(rows, columns)))
    size = size_at(rgb, factor)
    small = _grey(reduced_to(rgb, size))
    # Pixel centres: full = (small + 0.5) / factor - 0.5 on each axis.
    ratio = np.array([columns / size[0], rows / size[1]])
    return [((corners + 0.5) * ratio - 0.5, number) for corners, number in finder(small)]


def _markers(grey: Pixels) -> list[tuple[FloatArray, int]]:
    dictionary = card_pattern()
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    # Perimeter floor: 20 px a side is the smallest that reads reliably.
    parameters.minMarkerPerimeterRate = 60.0 / max(grey.shape)
    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    if len(corners) == 0:
        return []
    return [
        (np.asarray(c, np.float64).reshape(4, 2), int(n))
        for c, n in zip(corners, np.ravel(numbers), strict=True)
    ]


def _fit(rgb: Pixels, rough_px: FloatArray) -> SideFit:
    """Sides fitted on the full picture, of which only the card's surroundings turn grey."""
    size = np.ptp(rough_px, axis=0)
    low = np.maximum(np.floor(rough_px.min(axis=0) - 0.3 * size.max()) - 24, 0).astype(int)
    high = np.ceil(rough_px.max(axis=0) + 0.3 * size.max()).astype(int) + 25
    near = _grey(np.ascontiguousarray(rgb[low[1] : high[1], low[0] : high[0]]))
    fit = fit_sides(near, rough_px - low)
    return replace(fit, corners_px=fit.corners_px + low)


def _measure(rgb: Pixels, rough_px: FloatArray, number: int, side_mm: float | None) -> Scale:
    fit = _fit(rgb, rough_px)
    printed_mm = card_side_mm(number)
    side = printed_mm if side_mm is None else side_mm
    px_per_mm, tilt_deg = card_pose(fit.corners_px, (side, side), rgb.shape[:2])
    side_px = _mean_side(fit.corners_px)
    relative = float(np.hypot(_corner_sd(fit) / side_px, DEPTH_SD_FRAC))
    flags = Flag.CARD_SMALL if side_px < MIN_SIDE_PX else Flag.NONE
    if tilt_deg > MAX_TILT_DEG:
        flags |= Flag.CARD_TILTED
    if fit.broken_frac > MAX_HIDDEN_FRAC:
        flags |= Flag.CARD_PARTLY_HIDDEN
    if side_mm is not None and abs(side_mm / printed_mm - 1) > 0.02:
        flags |= Flag.CARD_SIZE_ASSUMED
    return Scale(
        px_per_mm=px_per_mm,
        rel_sd_frac=relative,
        source="card",
        corners_px=fit.corners_px,
        side_mm=side,
        card_id=number,
        tilt_deg=tilt_deg,
        flags=flags,
    )


def _corner_sd(fit: SideFit) -> float:
    """Standard deviation of one side's length, px.

    0.4 px that a camera's or editor's own tone curve and sharpening shift each light edge, the
    scatter of the edge points, and a pixel more where an outline lacks some of its steps. Checked
    on 36 rendered limbs (none but the first sample had set the 0.4) shrunk by three filters to
    cards of 20 to 264 px and stored as JPEG, 485 pictures: 0.1 to 0.6 px off (root mean square;
    0.4 px too long under 60 px), within two deviations at 20, 28, 40, 60, 200 and 264 px in
    every picture, at 105 px in 97 of 100.
    """
    if not np.isfinite(fit.residual_px):  # rough corners only
        return 2.0
    hidden = 1.0 if fit.broken_frac > MAX_HIDDEN_FRAC else 0.0
    return float(np.linalg.norm([0.4, fit.residual_px, hidden]))


def _mean_side(corners_px: FloatArray) -> float:
    return float(side_lengths_px(corners_px).mean())


def _agree(cards: list[Scale]) -> Scale:
    best = cards[0]
    for other in cards[1:]:
        gap = abs(other.px_per_mm / best.px_per_mm - 1)
        noise = 3 * float(np.hypot(best.rel_sd_frac, other.rel_sd_frac))
        if gap > max(MAX_DISAGREEMENT_FRAC, noise):
            wider = max(best.rel_sd_frac, gap / 2)
            best = replace(best, flags=best.flags | Flag.CARDS_DISAGREE, rel_sd_frac=wider)
    return best
