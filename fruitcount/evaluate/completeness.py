"""What share of fruit would be found: known fruit is drawn into real photos and looked for.

The truth of a real photo is somebody's opinion; a fruit that was put there is certain. The
share recovered, by size and by contrast with the place it was put, tells which fruit the
detector cannot see on photos like these. It is an estimate for fruit in the open: hidden fruit
and fruit in tight clusters are harder.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fruitcount.errors import BadInputError
from fruitcount.evaluate.inject import CompletenessSettings, Injected, inject
from fruitcount.evaluate.match import MATCH_RADII
from fruitcount.types import FloatArray, Fruitlets, IntArray, Photo

FindCircles = Callable[[Photo], Fruitlets]


@dataclass(frozen=True, eq=False)
class CompletenessCurve:
    """Recovered share by one property, in bins of about equal number.

    Attributes
    ----------
    property_name : str
    low, high : float arrays
        Ends of each bin.
    n, found_n : int arrays
    share, share_low, share_high : float arrays
        Recovered share and its 95 % Wilson interval.
    """

    property_name: str
    low: FloatArray
    high: FloatArray
    n: IntArray
    found_n: IntArray
    share: FloatArray
    share_low: FloatArray
    share_high: FloatArray


def recover(
    photo: Photo, find: FindCircles, seed: int, *, settings: CompletenessSettings | None = None
) -> Injected:
    """Inject fruit, run the detector again, and say which injected fruit it marks.

    Parameters
    ----------
    photo : Photo
    find : callable
        Photo to Fruitlets at the shipped threshold.
    seed : int
    settings : CompletenessSettings, optional
    """
    changed, put = inject(photo, find(photo), seed, settings=settings)
    marks = find(changed)
    distance = np.hypot(
        put.x_px[:, None] - marks.x_px[None, :], put.y_px[:, None] - marks.y_px[None, :]
    )
    found = np.asarray((distance < MATCH_RADII * put.r_px[:, None]).any(axis=1))
    return Injected(put.x_px, put.y_px, put.r_px, put.contrast, found, put.copied)


def completeness_curve(
    runs: Sequence[Injected], property_name: str = "r_px", *, bins_n: int = 5
) -> CompletenessCurve:
    """Recovered share by size or by contrast.

    Parameters
    ----------
    runs : sequence of Injected
        From :func:`recover`, one a photo.
    property_name : {"r_px", "contrast"}
    bins_n : int
        More bins show more shape with wider intervals.
    """
    if property_name not in ("r_px", "contrast"):
        raise BadInputError(f"property_name must be r_px or contrast, got {property_name!r}")
    value = np.concatenate([getattr(run, property_name) for run in runs] or [np.zeros(0)])
    found = np.concatenate([run.found for run in runs] or [np.zeros(0, bool)])
    order = np.argsort(value, kind="stable")
    groups = [g for g in np.array_split(order, max(1, bins_n)) if len(g)]
    n = np.array([len(g) for g in groups], np.int64)
    found_n = np.array([np.count_nonzero(found[g]) for g in groups], np.int64)
    ends = [wilson_interval(int(k), int(m)) for k, m in zip(found_n, n, strict=True)]
    return CompletenessCurve(
        property_name,
        np.array([value[g[0]] for g in groups]),
        np.array([value[g[-1]] for g in groups]),
        n,
        found_n,
        found_n / np.maximum(n, 1),
        np.array([e[0] for e in ends]),
        np.array([e[1] for e in ends]),
    )


def wilson_interval(hits_n: int, n: int, *, z: float = 1.959964) -> tuple[float, float]:
    """Wilson score interval of a share (E. B. Wilson, J. Am. Stat. Assoc. 22:209, 1927).

    Parameters
    ----------
    hits_n, n : int
    z : float
        Normal quantile; 1.96 gives 95 %. Larger widens the interval.

    Returns
    -------
    low, high : float
        NaN when ``n`` is 0.
    """
    if n == 0:
        return math.nan, math.nan
    p, z2 = hits_n / n, z * z
    middle = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = z / (1 + z2 / n) * math.sqrt(p * (1 - p) / n + z2 / (4 * n * n))
    return max(0.0, middle - half), min(1.0, middle + half)
