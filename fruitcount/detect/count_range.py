"""How many fruit hang there, given those that were seen: a range that holds nine times in ten."""

from __future__ import annotations

import math

import numpy as np

from fruitcount.flags import Flag
from fruitcount.types import FloatArray, Fruitlets

__all__ = ["NO_RANGE", "count_range", "recall_of"]

NO_RANGE = (math.nan, math.nan)

BASE_ODDS, SIZE_ODDS, SHOWN_ODDS, CROWD_ODDS = 1.6, 0.5, 2.0, -0.15
"""Log-odds that a fruit is found: at 24 px of radius or more, shown whole and alone; gained for
each e-fold of radius; for the share that shows; for each neighbour within three radii."""

USUAL_R_PX = 24.0
SPREAD = 0.35
"""How far photos differ from that mean recall, as a share of the number missed."""

FEW, MANY = -1.3, 1.6
"""Standard deviations below and above the expected number that hold nine in ten."""

UNTOLD = Flag.COUNT_UNKNOWN | Flag.LIMB_UNSURE


def recall_of(fruitlets: Fruitlets) -> FloatArray:
    """Chance that fruit like each of these is found, 0 to 1, shape (N,).

    Lower for small fruit, hidden fruit, and fruit among others.
    """
    x, y, r = fruitlets.x_px, fruitlets.y_px, np.maximum(fruitlets.r_px, 1.0)
    apart = np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :])
    crowd = (apart < 3 * np.maximum(r[:, None], r[None, :])).sum(axis=1) - 1
    shown = np.nan_to_num(fruitlets.visible_frac, nan=0.75)
    odds = (
        BASE_ODDS
        + SIZE_ODDS * np.minimum(np.log(r / USUAL_R_PX), 0.0)
        + SHOWN_ODDS * (shown - 1.0)
        + CROWD_ODDS * np.minimum(crowd, 6)
    )
    return np.asarray(1 / (1 + np.exp(-odds)), np.float64)


def count_range(fruitlets: Fruitlets, flags: Flag, source: str) -> tuple[float, float]:
    """Fewest and most fruit likely to be there, of those that a person could see on the photo.

    Parameters
    ----------
    fruitlets : Fruitlets
        Placed; only what counts as crop on this limb counts here. Marks by hand are sure.
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
    here = fruitlets.take(np.flatnonzero(fruitlets.counts_as_crop))
    n = len(here)
    sure = here.by_hand
    recall = np.where(sure, 1.0, recall_of(here))
    real = np.where(
        sure, 1.0, np.clip(0.55 + 0.75 * (np.nan_to_num(here.score, nan=1.0) - 0.35), 0, 0.98)
    )
    missed = float((real * (1 / recall - 1)).sum())
    false = float((1 - real).sum())
    middle = n - false + missed
    sd = math.sqrt(missed + false + (SPREAD * (missed + false)) ** 2)
    return float(max(0, math.floor(middle + FEW * sd))), float(math.ceil(middle + MANY * sd))
