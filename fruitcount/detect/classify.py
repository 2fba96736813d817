"""What each circle is: fruit, yellowing fruit, or fruit that looks hurt.

Yellowing is told against this photo's own light and against the other fruit in it: healthy
fruit in evening sun is yellower than sick fruit in shade. A doubtful fruit stays fruit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitcount.image.light import Light, linear, log_ratios
from fruitcount.image.opencv import cv2
from fruitcount.image.rim import Rim
from fruitcount.types import FloatArray, Kind

__all__ = ["YELLOW_FROM", "fruit_colours", "kinds", "scar_frac", "yellow_clues", "yellow_frac"]

YELLOW_FROM = 0.6
"""Yellow share from which a fruit is called yellowing. Our choice, on the side of precision: only
19 yellowing fruit were at hand to check it, left out by scene (precision 0.8, recall 0.2)."""

WEIGHTS = np.array([3.9, 3.1, -1.8, 0.012, -2.85])
OFFSET = -2.8
NET_WEIGHT = 0.9
"""Logistic regression on 319 rendered fruit, 19 of them yellowing
(:mod:`fruitcount.training.yellow_model`); see :func:`yellow_clues` for the order. The net's
weight is our choice."""

SCAR_FROM = 0.3
ROUND_BELOW = 0.7
"""Share of scar-brown surface, and roundness, from which a fruit is marked as a hint."""


def fruit_colours(rim: Rim) -> FloatArray:
    """Usual colour of each fruit from the pixels that are its own.

    Parameters
    ----------
    rim : Rim

    Returns
    -------
    float array, shape (N, 3)
        ln(red / green), ln(blue / green) of linear light, and CIE lightness L*.
    """
    out = np.full((len(rim.rho), 3), np.nan)
    for i, (lab, own) in enumerate(zip(rim.lab, rim.own, strict=True)):
        mine = lab[own] if own.sum() >= 30 else lab[:, :10].reshape(-1, 3)
        rgb = cv2.cvtColor(np.ascontiguousarray(mine[None], np.float32), cv2.COLOR_LAB2RGB)[0]
        out[i, :2] = log_ratios(np.median(linear(np.clip(rgb, 0, 1) * 255), axis=0))
        out[i, 2] = np.median(mine[:, 0])
    return out


def yellow_clues(
    colours: FloatArray, r_px: FloatArray, score: FloatArray, light: Light
) -> FloatArray:
    """What speaks for yellowing, shape (N, 5).

    Columns: red against green under neutral light; the same against the other fruit; log radius
    against the other fruit; lightness against the other fruit; blue against green against the
    other fruit. The other fruit count by their scores; with fewer than 3 of them, 0.
    """
    own = colours[:, 0] - light.red_green
    against = np.column_stack(
        [colours[:, 0], np.log(np.maximum(r_px, 1e-3)), colours[:, ::-1][:, :2]]
    )
    apart = against - _median_of_others(against, score)
    return np.column_stack([own, apart])


def _median_of_others(values: FloatArray, score: FloatArray) -> FloatArray:
    """For each row the score-weighted median of the other rows; itself where under 3 others."""
    n = len(values)
    if n < 4:
        return values.copy()
    weight = np.maximum(np.nan_to_num(score, nan=1.0), 0.05)
    return np.array([_middle(np.delete(values, i, 0), np.delete(weight, i)) for i in range(n)])


def _middle(values: FloatArray, weight: FloatArray) -> FloatArray:
    """Weighted median of each column."""
    order = np.argsort(values, axis=0, kind="stable")
    ranked = np.cumsum(weight[order], axis=0)
    at = (ranked >= ranked[-1] / 2).argmax(axis=0)
    ranked_values = np.take_along_axis(values, order, axis=0)
    return np.asarray(np.take_along_axis(ranked_values, at[None], axis=0)[0], np.float64)


def yellow_frac(clues: FloatArray, net_chance: FloatArray) -> FloatArray:
    """How yellow each fruit is against this photo, 0 to 1; the middle is "could be either".

    Parameters
    ----------
    clues : float array, shape (N, 5)
        From :func:`yellow_clues`.
    net_chance : float array, shape (N,)
        The trained net's own answer; NaN where there is none.
    """
    logit = np.nan_to_num(clues) @ WEIGHTS + OFFSET
    chance = np.clip(net_chance, 0.01, 0.99)
    told = np.log(chance / (1 - chance))
    both = np.where(np.isfinite(told), 0.5 * logit + NET_WEIGHT * told, logit)
    return np.asarray(1 / (1 + np.exp(-np.clip(both, -30, 30))))


def scar_frac(rim: Rim, light: Light) -> FloatArray:
    """Share of a fruit's disc that is scar brown: redder than its greener part, and darker.

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
