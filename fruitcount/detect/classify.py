"""What each circle is: fruit, yellowing fruit, or fruit that looks hurt.

How yellow a fruit is, is judged against this photo's own light and against the other fruit in it:
healthy fruit in evening sun is yellower than sick fruit in shade, so no hue counts by itself. A
doubtful fruit stays fruit.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit, logit

from fruitcount.detect.circles import FEWEST, leave_one_out_residual
from fruitcount.detect.size import Rim
from fruitcount.image.opencv import cv2
from fruitcount.image.quality import Light, linear, log_ratios
from fruitcount.types import FloatArray, IntArray, Kind

# Yellow share from which a fruit is called yellowing; set on the side of precision.
YELLOW_FROM = 0.7

# The same under strongly coloured light, and only where the net tells: on three path-traced photos
# of that kind 4 of 6 yellowing fruit reach it, and no green one of 30 comes near.
YELLOW_FROM_COLOURED = 0.9

# Logistic regression on 1105 marks of 122 rendered scenes
# (:mod:`fruitcount.training.yellow_model`); see :func:`yellow_clues` for the order.
WEIGHTS = np.array([2.8, -3.6, -4.4, -8.9])
OFFSET = -4.0

# Usual value and spread of the clues with the mark's score and the net's log-odds.
MIDDLE = np.array([-0.18, -0.02, 0.0, -0.01, 0.76, -5.5])
SPREAD = np.array([0.23, 0.29, 0.23, 0.13, 0.19, 3.1])

# fmt: off
WEIGHTS_WITH_NET = np.array(
    [
        0.298, -0.508, -0.077, -0.501, -0.109, 1.133,  # the clues, the score, the net
        -0.216, 0.024, -0.2, 0.056, 0.11, 0.078,  # red with itself and all after it
        0.018, -0.101, 0.196, -0.128, -0.123,  # size with itself and all after it
        0.088, -0.025, -0.03, 0.015,  # and so on
        0.172, -0.231, -0.114,
        -0.258, 0.271,
        0.086,
    ]
)
# fmt: on
# Ridge logistic regression on 3949 marks of 391 pictures that no net was trained on, 109 of them
# whole limbs like the samples, with 317 yellowing fruit found; in the order of
# :func:`with_products`. The offset is 0.65 above the fit's: a chance of 0.55 there is
# :data:`YELLOW_FROM` here. Each scene judged by the others, with marks that are no fruit held
# against it: precision 0.92 and recall 0.67 with :func:`cautious`, 0.88 and 0.69 without; on the
# whole limbs alone 0.96 and 0.73. Without the products it was 0.93 and 0.71 there.
OFFSET_WITH_NET = -3.4

# A mark scored lower is never called yellowing where the net tells: of 11 such marks in those
# pictures that would have been, 4 were yellowing fruit, most others dead leaves and glare.
SURE_FRUIT = 0.45

# Radius in photo pixels under which colour is told less well, and what the log-odds lose there: a
# chance of 0.80 is then needed in place of :data:`YELLOW_FROM`. Of such marks 0.79 were rightly
# called yellowing without it, 0.87 with both rules.
SMALL_PX = 10.0
SMALL_CAUTION = 0.54

# No clue counts beyond these: dead leaves and sky are farther from the fruit than yellow fruit.
CLUE_LIMITS = np.array([0.5, 0.6, 0.4, 0.25])

# A fruit about to drop has stopped growing and turned: one whose log radius or hue (radians) lies
# above these against the others is not called yellowing by its colour alone. Our choice; keeps
# sunlit fruit green where no net knows better.
STILL_GROWING = -0.05
STILL_GREEN = -0.03


def yellow_clues(
    colours: FloatArray, r_px: FloatArray, score: FloatArray, light: Light
) -> FloatArray:
    """What speaks for yellowing, shape (N, 4).

    Columns: red against green under neutral light; log radius, blue against green, and hue, each
    against the other fruit. The others count by their scores; with fewer than 3 of them, 0.
    """
    own = colours[:, 0] - light.red_green
    against = np.column_stack([np.log(np.maximum(r_px, 1e-3)), colours[:, 1:]])
    weight = np.maximum(np.nan_to_num(score, nan=1.0), 0.05)
    clues = np.column_stack([own, leave_one_out_residual(against, weight)])
    return np.asarray(np.clip(clues, -CLUE_LIMITS, CLUE_LIMITS), np.float64)


def net_odds(net_chance: FloatArray) -> FloatArray:
    """Log-odds of the trained net's answer, held to 0.001-0.999; NaN stays NaN.

    Any shape, which the result has too.
    """
    return np.asarray(logit(np.clip(net_chance, 0.001, 0.999)))


def joint_clues(clues: FloatArray, score: FloatArray, told: FloatArray) -> FloatArray:
    """Clues, score (sure where not known) and the net's log-odds, shape (N, 6).

    In the order of :data:`MIDDLE`.
    """
    return np.column_stack([clues, np.nan_to_num(score, nan=1.0), told])


def with_products(rows: FloatArray) -> FloatArray:
    """Clues in units of their spread, then all products of two of them, shape (N, 27).

    Yellow counts for more on a mark that is surely fruit, and smallness for more on one that is
    yellow: a sum alone does not tell that.
    """
    z = (rows - MIDDLE) / SPREAD
    first, second = np.triu_indices(z.shape[1])
    return np.column_stack([z, z[:, first] * z[:, second]])


def cautious(chance: FloatArray, score: FloatArray, r_px: FloatArray) -> FloatArray:
    """Chances of yellowing, held down where they are often wrong; shape (N,).

    Parameters
    ----------
    chance : float array, shape (N,)
    score : float array, shape (N,)
        Under :data:`SURE_FRUIT` the answer is at most 0.5; NaN counts as sure.
    r_px : float array, shape (N,)
        Radii in photo pixels. Under :data:`SMALL_PX` the answer is lower.
    """
    small = r_px < SMALL_PX
    lower = np.where(small, expit(logit(np.clip(chance, 1e-6, 1 - 1e-6)) - SMALL_CAUTION), chance)
    unsure = np.nan_to_num(score, nan=1.0) < SURE_FRUIT
    return np.asarray(np.where(unsure, np.minimum(lower, 0.5), lower), np.float64)


def yellow_frac(
    clues: FloatArray, score: FloatArray, net_chance: FloatArray, r_px: FloatArray
) -> FloatArray:
    """How yellow each fruit is against this photo, 0 to 1; the middle is "could be either".

    Parameters
    ----------
    clues : float array, shape (N, 4)
        From :func:`yellow_clues`.
    score : float array, shape (N,)
        How surely each mark is fruit at all: what hardly looks like one may be a dead leaf. NaN
        (not known) counts as sure.
    net_chance : float array, shape (N,)
        The trained net's own answer; NaN where there is none.
    r_px : float array, shape (N,)
        Radii in photo pixels.

    Returns
    -------
    float array, shape (N,)
        Where the net does not tell, at most 0.5 for fruit as large or as green as the others.
    """
    told = net_odds(net_chance)
    alone = expit(clues @ WEIGHTS + OFFSET)
    compared = len(clues) >= FEWEST
    healthy = compared & ((clues[:, 1] > STILL_GROWING) | (clues[:, 3] > STILL_GREEN))
    alone = np.where(healthy, np.minimum(alone, 0.5), alone)
    rows = with_products(joint_clues(clues, score, told))
    joint = expit(rows @ WEIGHTS_WITH_NET + OFFSET_WITH_NET)
    return np.asarray(np.where(np.isfinite(told), cautious(joint, score, r_px), alone))


# Share of scar-brown surface, and roundness, from which a fruit is marked as hurt. Our choice, and
# a weak hint: of 21 hurt fruit in 82 path-traced pictures 1 was told (none wrongly). That no fruit
# is marked says nothing; the user looks for hail and insects by eye.
SCAR_FROM = 0.3
ROUND_BELOW = 0.7


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
    yellow: FloatArray,
    roundness_frac: FloatArray,
    scar: FloatArray,
    net_chance: FloatArray,
    *,
    trust_colour: bool,
) -> IntArray:
    """A :class:`Kind` for each fruit.

    Parameters
    ----------
    yellow, roundness_frac, scar, net_chance : float arrays, shape (N,)
    trust_colour : bool
        False, under strongly coloured light, leaves everything as fruit but what is plainly not
        round, and what the net too finds plainly yellow.
    """
    odd = np.nan_to_num(roundness_frac, nan=1.0) < ROUND_BELOW
    hurt = odd | (trust_colour & (scar >= SCAR_FROM))
    out = np.where(hurt, int(Kind.DAMAGED), int(Kind.FRUIT))
    coloured = np.where(np.isfinite(net_chance), YELLOW_FROM_COLOURED, np.inf)
    sick = yellow >= (YELLOW_FROM if trust_colour else coloured)
    return np.where(sick, int(Kind.YELLOWING), out).astype(np.int64)
