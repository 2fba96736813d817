"""Scale without a printed card: two points, a coin or ball, a bank card, or a fruit's diameter."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fruitcount.errors import BadInputError, finite, positive
from fruitcount.flags import Flag
from fruitcount.fruitlets import FloatArray, Fruitlets
from fruitcount.image.cardfit import side_lengths_px
from fruitcount.image.disc import fit_disc
from fruitcount.image.opencv import cv2
from fruitcount.image.pose import facing_scale, local_map, tilt_of
from fruitcount.types import Photo, Scale

# Diameters in mm. US coins: United States Mint, coin specifications. Euro coins: the 50 cent, 1
# and 2 euro from the EUR-Lex summary of Regulation (EC) 975/98, the smaller ones from several
# agreeing tables. UK coins: secondary tables; those with flat sides (20p, 50p, 1 pound) are left
# out, as they are not round. Table-tennis ball: ITTF law 2.03.01.
DISC_DIAMETERS_MM: dict[str, float] = {
    "us dime": 17.91,
    "us cent": 19.05,
    "us nickel": 21.21,
    "us quarter": 24.26,
    "us dollar": 26.49,
    "us half dollar": 30.61,
    "euro 1 cent": 16.25,
    "euro 2 cent": 18.75,
    "euro 5 cent": 21.25,
    "euro 10 cent": 19.75,
    "euro 20 cent": 22.25,
    "euro 50 cent": 24.25,
    "euro 1": 23.25,
    "euro 2": 25.75,
    "uk 1p": 20.3,
    "uk 2p": 25.9,
    "uk 5p": 18.0,
    "uk 10p": 24.5,
    "uk 2 pounds": 28.4,
    "table-tennis ball": 40.0,
}

# ISO/IEC 7810, size ID-1.
BANK_CARD_MM = (85.60, 53.98)

# A tapped or dragged point is good to about this many px on a picture shown at screen size.
_TAP_SD_PX = 3.0
# The limb may lie this share of the distance before or behind the reference (see the card).
_DEPTH_SD_FRAC = 0.01


def scale_from_points(
    x1_px: float, y1_px: float, *, x2_px: float, y2_px: float, length_mm: float
) -> Scale:
    """Scale from two points a known length apart, both about as far away as the limb.

    Parameters
    ----------
    x1_px, y1_px, x2_px, y2_px : float, px
    length_mm : float, mm
        True distance between them.

    Raises
    ------
    BadInputError
        When a number is not finite, the length is not > 0, or the points coincide.
    """
    length = positive("length_mm", length_mm)
    dx = finite("x2_px", x2_px) - finite("x1_px", x1_px)
    dy = finite("y2_px", y2_px) - finite("y1_px", y1_px)
    gap_px = float(np.hypot(dx, dy))
    if gap_px < 2:
        raise BadInputError(f"the two points must be at least 2 px apart, got {gap_px:.2f} px")
    tap = _TAP_SD_PX * np.sqrt(2) / gap_px
    # A length that is not square to the line of sight looks short; 2 % is a tilt of about 12 deg.
    relative = float(np.hypot(np.hypot(tap, 0.02), _DEPTH_SD_FRAC))
    return Scale(gap_px / length, relative, source="two points")


def scale_from_disc(photo: Photo, x_px: float, y_px: float, diameter_mm: float) -> Scale:
    """Scale from a coin or ball that the user tapped.

    Parameters
    ----------
    photo : Photo
    x_px, y_px : float, px
        A point on the coin, best near its middle.
    diameter_mm : float, mm
        Known diameter, e.g. from :data:`DISC_DIAMETERS_MM`.

    Returns
    -------
    Scale
        From the long axis of the fitted ellipse, which tilt does not shorten; the empty scale
        with ``NO_SCALE`` when no outline is found round the tap.

    Raises
    ------
    BadInputError
        When the tap is outside the photo or the diameter is not > 0.
    """
    diameter = positive("diameter_mm", diameter_mm)
    _inside(photo, x_px, y_px)
    disc = fit_disc(photo.rgb, x_px, y_px)
    if disc is None:
        return Scale(flags=Flag.NO_SCALE)
    # The rim of a coin is rounded and its light uneven: fits were 0.1-0.5 % sd, up to 1 px small.
    relative = float(np.hypot(np.hypot(disc.residual_px + 1.0, 0.5) / disc.major_px, 0.005))
    tilt_deg = float(np.degrees(np.arccos(np.clip(disc.minor_px / disc.major_px, 0, 1))))
    return Scale(
        disc.major_px / diameter,
        float(np.hypot(relative, _DEPTH_SD_FRAC)),
        source="coin",
        tilt_deg=tilt_deg,
        flags=Flag.CARD_TILTED if tilt_deg > 45 else Flag.NONE,
    )


def scale_from_bank_card(photo: Photo, corners_px: Sequence[Sequence[float]]) -> Scale:
    """Scale from the four tapped corners of a bank card (ISO/IEC 7810 ID-1, 85.60 x 53.98 mm).

    Parameters
    ----------
    photo : Photo
        Only its size is used, to allow for tilt.
    corners_px : sequence of four (x, y), px
        In order round the card, either way, starting anywhere. Tap where the straight sides
        would meet: the corners are rounded.

    Raises
    ------
    BadInputError
        When there are not four corners, or they do not make a convex four-sided figure.
    """
    corners = np.asarray(corners_px, np.float64)
    if corners.shape != (4, 2) or not np.isfinite(corners).all():
        raise BadInputError(f"corners_px must be four x, y pairs, got shape {corners.shape}")
    if not cv2.isContourConvex(corners.astype(np.float32)):
        raise BadInputError("corners_px must go round the card in order")
    square = _as_square(corners)
    side_px = side_lengths_px(corners)
    shape = photo.rgb.shape[:2]
    tilt_deg = tilt_of(square, BANK_CARD_MM[1], shape)
    tap = _TAP_SD_PX * np.sqrt(2) / float(side_px.max())
    return Scale(
        facing_scale(square, BANK_CARD_MM[1], shape),
        float(np.hypot(tap, _DEPTH_SD_FRAC)),
        source="bank card",
        corners_px=corners,
        tilt_deg=tilt_deg,
        flags=Flag.CARD_TILTED if tilt_deg > 45 else Flag.NONE,
    )


def _as_square(corners: FloatArray) -> FloatArray:
    """Corners of the square as high as the card, at its middle, seen in the same view.

    Which pair of sides is long is told by which reading foreshortens less: a strong tilt can
    make the long side look short, so both are tried and the one nearer to facing wins.
    """
    best, least = corners, np.inf
    for turn in (0, 1):
        width, height = BANK_CARD_MM
        w, h = (width / 2, height / 2)
        source = np.array([[-w, -h], [w, -h], [w, h], [-w, h]], np.float32)
        target = np.roll(corners, turn, axis=0).astype(np.float32)
        view = cv2.getPerspectiveTransform(source, target)
        square = np.array([[-h, -h], [h, -h], [h, h], [-h, h]], np.float32).reshape(-1, 1, 2)
        seen = np.asarray(cv2.perspectiveTransform(square, view), np.float64).reshape(4, 2)
        _, jacobian = local_map(seen, height)
        axes = np.linalg.svd(jacobian, compute_uv=False)
        stretch = float(axes[0] / axes[1])
        if stretch < least:
            best, least = seen, stretch
    return best


def scale_from_fruit(fruitlets: Fruitlets, diameter_mm: float) -> Scale:
    """Scale from a typed fruit diameter: the median marked fruit is taken to have it.

    Parameters
    ----------
    fruitlets : Fruitlets
        Circles in px; those known to be off the limb are left out when others remain.
    diameter_mm : float, mm
        What a caliper shows for a middling fruit of this limb.

    Returns
    -------
    Scale
        Flagged ``SCALE_FROM_FRUIT``; the empty scale with ``NO_SCALE`` when there is no fruit.
    """
    diameter = positive("diameter_mm", diameter_mm)
    radii = fruitlets.r_px[(fruitlets.on_limb != 0) & np.isfinite(fruitlets.r_px)]
    if len(radii) == 0:
        radii = fruitlets.r_px[np.isfinite(fruitlets.r_px)]
    if len(radii) == 0:
        return Scale(flags=Flag.NO_SCALE)
    middle = float(np.median(radii))
    # Fruit of one limb spread by about 12 % (common practice, no source); the median of n of them
    # by 1.25 / sqrt(n) of that. The circles' own error does not average out: 8 %.
    relative = float(np.hypot(0.08, 1.25 * 0.12 / np.sqrt(len(radii))))
    return Scale(2 * middle / diameter, relative, source="fruit", flags=Flag.SCALE_FROM_FRUIT)


def scale_from_limb_length(length_px: float, length_mm: float) -> Scale:
    """Scale from the limb's length by tape.

    Parameters
    ----------
    length_px : float, px
        Along the limb's line in the photo.
    length_mm : float, mm
        From its base to its tip.

    Raises
    ------
    BadInputError
        When a length is not above 0.
    """
    px = positive("length_px", length_px)
    # Ends of a limb are read to a few per cent of its length, by eye and by the line alike.
    return Scale(px / positive("length_mm", length_mm), 0.04, source="limb length")


def _inside(photo: Photo, x_px: float, y_px: float) -> None:
    x, y = finite("x_px", x_px), finite("y_px", y_px)
    if not (0 <= x <= photo.width_px - 1 and 0 <= y <= photo.height_px - 1):
        raise BadInputError(
            f"the tapped point must be inside the {photo.width_px} x {photo.height_px} photo, "
            f"got ({x:g}, {y:g})"
        )
