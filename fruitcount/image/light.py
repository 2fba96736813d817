"""What colour the light of a photo is: from the scale card's white paper, else from foliage.

All ratios are of linear light (sRGB's transfer curve undone, IEC 61966-2-1), as logarithms:
a coloured light then adds the same amount to every surface.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitcount.flags import Flag
from fruitcount.fruitlets import FloatArray, Pixels
from fruitcount.image.reduce import reduced_to
from fruitcount.types import Photo, Scale

USUAL_LEAF_RED_GREEN = -0.42
"""ln(red / green) of foliage by daylight. Medians of open sets: cherry -0.6, pear -0.32, apple
-0.23, phone photos of peach -0.45, rendered limbs -0.3 (25 photos of each)."""

LEAF_TRUST = 0.5
"""Share of a difference from it that is put down to the light: half of it is species and season."""

STRONG_CAST = 0.45
"""|ln| of the light's red/green or blue/green beyond which colours are not trusted: our choice;
indoor lamp light lies beyond it."""

FLOOR = 0.004
"""Added to linear values before the logarithm: about one grey level of 255 in the dark end."""


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
