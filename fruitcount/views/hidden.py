"""How many fruit hang on a limb, those that no photo shows too, from what is on which photos."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from fruitcount.tree.both_sides import TOO_LOW_FRAC
from fruitcount.types import FloatArray
from fruitcount.views.match import pair_chances

MISSED_FRAC = 0.22
"""Of the fruit on one photo that another does not show: measured on drawn limbs. Higher takes more
marks that one photo alone shows for fruit."""

LEAST_SD, FEW_SD, RANGE_SD = 0.05, 0.6, 2.4
"""Spread of the logarithm of the number, where many fruit are on both, and what few add, over how
many they are; how many of it the range is wide to either side. Fitted on drawn limbs."""

_MEETING = 0.2  # log odds, else a third photo parts more fruit than it should

Chances = Mapping[tuple[int, int], FloatArray]
"""Two photos' numbers to the chance (N, M) that a mark of one and of the other are one fruit."""


def real_chances(own: Sequence[FloatArray], chances: Chances) -> list[FloatArray]:
    """Chance that each mark of each photo is a fruit, knowing what the other photos show.

    Parameters
    ----------
    own : sequence of float arrays, shape (N,)
        A photo's marks' chances by themselves.
    chances : mapping
        Of pairs of photos to the chances of pairs of their marks, shape (N, M).

    Returns
    -------
    list of float arrays, shape (N,), 0 to 1
    """
    out = []
    for photo, chance in enumerate(own):
        seen = [c.sum(1 - at.index(photo)).clip(0, 1) for at, c in chances.items() if photo in at]
        alone = np.prod([np.ones(len(chance)), *(1 - one for one in seen)], axis=0)
        missed = chance * MISSED_FRAC ** len(seen)
        out.append(1 - alone * (1 - missed / (missed + 1 - chance)))
    return out


def both_ways(chances: Chances) -> dict[tuple[int, int], FloatArray]:
    """The same, with each two photos named in either order: shape (N, M), and (M, N) as well."""
    return {**chances, **{(j, i): chance.T for (i, j), chance in chances.items()}}


def agreeing(chances: Chances) -> dict[tuple[int, int], FloatArray]:
    """Chances of pairs that take in what third photos say of the same two marks.

    Two marks that go with one of a third photo are more likely the same, two that go with
    different ones hardly so. Chances of two photos have the shape (N, M), before and after.
    """
    both = both_ways(chances)
    out = {}
    for (i, j), chance in chances.items():
        sure = np.clip(chance, 1e-6, 1 - 1e-6)
        odds = np.log(sure / (1 - sure))
        thirds = [k for k in {a for a, _ in both} if (i, k) in both and (k, j) in both]
        for k in thirds:
            to, back = both[i, k], both[k, j]
            first, second = to.sum(1)[:, None], back.sum(0)[None]
            meet = to @ back
            none, one = (1 - first) * (1 - second), first + second - 2 * first * second
            odds = odds + np.log((meet + none + 0.3 * one + 0.02) / (1.02 - meet)) + _MEETING
        out[i, j] = pair_chances(odds) if thirds else chance
    return out


def likely_fruit(seen_n: Sequence[float], chances: Chances) -> tuple[float, float, float]:
    """How many fruit hang there, the lower and the upper end of its likely range.

    Lincoln's index (1930) as Chapman (1951) mends it for few, both from memory, of all pairs of
    photos together: what each shows, times each other, over what is on both. Real numbers of
    likely fruit and of likely pairs take the place of counts. Fruit that are hard to see on every
    photo make the number too low: the upper end takes that in.

    Parameters
    ----------
    seen_n : sequence of float
        Fruit likely on each photo.
    chances : mapping
        Of two photos or more. Higher ones lower the number.
    """
    both = sum(float(chance.sum()) for chance in chances.values())
    ways = sum((seen_n[i] + 1) * (seen_n[j] + 1) for i, j in chances)
    value = ways / (both + len(chances)) - 1
    sd = math.hypot(LEAST_SD, FEW_SD * len(chances) / max(both, 1.0))
    wide = math.exp(RANGE_SD * sd)
    return value, max(value / wide, both / len(chances)), value * wide / (1 - TOO_LOW_FRAC)
