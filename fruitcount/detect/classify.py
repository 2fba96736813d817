"""What each circle is: fruit, yellowing fruit, or fruit that looks hurt.

How yellow is told in :mod:`fruitcount.detect.yellow`. A doubtful fruit stays fruit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitcount.detect.yellow import YELLOW_FROM
from fruitcount.image.light import Light, linear, log_ratios
from fruitcount.image.opencv import cv2
from fruitcount.image.rim import Rim
from fruitcount.types import FloatArray, Kind

SCAR_FROM = 0.3
ROUND_BELOW = 0.7
"""Share of scar-brown surface, and roundness, from which a fruit is marked as hurt. Our choice, and
a weak hint: of 21 hurt fruit in 82 path-traced pictures 1 was told (none wrongly). That no fruit is
marked says nothing; the user looks for hail and insects by eye."""


def fruit_colours(rim: Rim) -> FloatArray:
    """Usual colour of each fruit from the pixels that are its own.

    Parameters
    ----------
    rim : Rim

    Returns
    -------
    float array, shape (N, 3)
        ln(red / green), ln(blue / green) of linear light, and CIE hue angle in radians
        (about 2.1 for green fruit, less for yellow).
    """
    out = np.full((len(rim.rho), 3), np.nan)
    for i, (lab, own) in enumerate(zip(rim.lab, rim.own, strict=True)):
        mine = lab[own] if own.sum() >= 30 else lab[:, :10].reshape(-1, 3)
        rgb = cv2.cvtColor(np.ascontiguousarray(mine[None], np.float32), cv2.COLOR_LAB2RGB)[0]
        out[i, :2] = log_ratios(np.median(linear(np.clip(rgb, 0, 1) * 255), axis=0))
        out[i, 2] = np.arctan2(np.median(mine[:, 2]), np.median(mine[:, 1]))
    return out


def scar_frac(rim: Rim, light: Light) -> FloatArray:
    """Share of a fruit's disc that is scar brown: redder than its greener part, and darker.

    Shape (N,), one a fruit of the rim.

    A bare hint: bark, stalks and dead petals before a fruit look the same.
    """
    disc = rim.lab[:, :, 2:16]
    flat = disc.reshape(len(disc), disc.shape[1] * disc.shape[2], 3)
    dark, bright = (np.percentile(flat[..., 0], q, axis=1)[:, None, None] for q in (15, 75))
    greener = np.percentile(flat[..., 1], 25, axis=1)[:, None, None]
    redder = disc[..., 1] - greener > 12
    darker = (disc[..., 0] < bright - 10) & (bright - dark > 10)
    warm = disc[..., 1] > 3 + 20 * max(light.red_green, 0.0)
    return np.asarray((redder & darker & warm).mean(axis=(1, 2)), np.float64)


def kinds(
    yellow: FloatArray, roundness_frac: FloatArray, scar: FloatArray, *, trust_colour: bool
) -> NDArray[np.int64]:
    """A :class:`Kind` for each fruit.

    Parameters
    ----------
    yellow, roundness_frac, scar : float arrays, shape (N,)
    trust_colour : bool
        False leaves everything as fruit but what is plainly not round.
    """
    odd = np.nan_to_num(roundness_frac, nan=1.0) < ROUND_BELOW
    hurt = odd | (trust_colour & (scar >= SCAR_FROM))
    out = np.where(hurt, int(Kind.DAMAGED), int(Kind.FRUIT))
    sick = trust_colour & (yellow >= YELLOW_FROM)
    return np.where(sick, int(Kind.YELLOWING), out).astype(np.int64)
