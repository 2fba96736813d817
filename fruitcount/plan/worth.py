"""How much each fruit is worth keeping, 0 to 1, before any spacing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitcount.plan.inputs import WorthWeights
from fruitcount.types import FloatArray, Fruitlets, Kind, Limb

__all__ = ["fruit_worth", "wood_thickness_frac"]


def wood_thickness_frac(limb: Limb, line: NDArray[np.int64], at_frac: FloatArray) -> FloatArray:
    """Thickness of the wood a fruit hangs on, as a share of the limb's base.

    Parameters
    ----------
    limb : Limb
        Where diameters are not told, the limb is taken to taper to half (our choice).
    line : int array, shape (N,)
        -1 on the main limb, else the shoot.
    at_frac : float array, shape (N,)
        Place along its own line, 0 to 1.
    """
    thick = limb.base_diameter_mm if limb.base_diameter_mm > 0 else float("nan")
    tip = limb.tip_diameter_mm / thick
    tip = float(np.clip(tip, 0.05, 1.0)) if np.isfinite(tip) else 0.5
    share = 1.0 - (1.0 - tip) * at_frac
    for i, shoot in enumerate(limb.shoots):
        base = shoot.base_diameter_mm / thick
        # An unmeasured shoot is taken as a third of the limb's base (our choice).
        base = float(np.clip(base, 0.02, 1.0)) if np.isfinite(base) else 1 / 3
        share = np.where(line == i, base * (1.0 - 0.5 * at_frac), share)
    return np.asarray(share, dtype=float)


def fruit_worth(
    fruitlets: Fruitlets, thickness_frac: FloatArray, weights: WorthWeights
) -> FloatArray:
    """Worth of each fruit; NaN for damaged and yellowing fruit, which is never kept.

    Parameters
    ----------
    fruitlets : Fruitlets
    thickness_frac : float array, shape (N,)
        From :func:`wood_thickness_frac`.
    weights : WorthWeights
        Raising one makes that merit decide more often.

    Returns
    -------
    float array, shape (N,)
        Weighted mean of the merits. What is not measured counts as middling.
    """
    size = fruitlets.diameter_mm if np.isfinite(fruitlets.diameter_mm).all() else fruitlets.r_px
    sound = (
        _or_half(fruitlets.score)
        + _or_half(fruitlets.roundness_frac)
        + _or_half(1.0 - fruitlets.yellow_frac)
    ) / 3
    merits = (
        (weights.size, _spread(size)),
        (weights.sound, sound),
        (weights.seat, np.clip(thickness_frac, 0, 1)),
        (weights.light, _or_half(fruitlets.visible_frac)),
    )
    total = sum(w for w, _ in merits) or 1.0
    worth = sum(w * merit for w, merit in merits) / total
    return np.where(fruitlets.kind == Kind.FRUIT, worth, np.nan)


def _or_half(values: FloatArray) -> FloatArray:
    return np.where(np.isfinite(values), np.clip(values, 0, 1), 0.5)


def _spread(size: FloatArray) -> FloatArray:
    """Smallest 0, largest 1; all 0.5 where sizes are equal or not told."""
    known = size[np.isfinite(size)]
    if len(known) < 2 or np.ptp(known) == 0:
        return np.full(len(size), 0.5)
    return np.where(np.isfinite(size), (size - known.min()) / np.ptp(known), 0.5)
