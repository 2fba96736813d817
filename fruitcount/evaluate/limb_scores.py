"""The limb against the truth: its line, its length and thickness, and where the fruit hang.

Lengths and places are compared only where the photo shows what they are counted from: a photo of
the middle of a limb says nothing about how long it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fruitcount.evaluate.details import ErrorSummary, paired_errors, summarise
from fruitcount.evaluate.known import Truth
from fruitcount.evaluate.scores import Judged
from fruitcount.flags import Flag
from fruitcount.lines import line_length_px, nearest_on_line, resampled
from fruitcount.types import FloatArray, Measurement

NEAR_FRAC = 0.02
"""Lines nearer than this share of the photo's long side run along the same wood. Our choice."""

_POINTS_N = 400

CHANCE_BINS = (0.5, 0.7, 0.85, 0.95)
"""Borders of the rows of the reliability table."""


@dataclass(frozen=True)
class LineAgreement:
    """How the limb lines found lie on the known ones.

    Attributes
    ----------
    n : int
        Photos with a known line of which the photo shows something.
    found_frac : float
        Mean share of what the photo shows of the known line that a found line runs along; a limb
        not found counts as 0. NaN without such photos.
    right_frac : float
        Mean share of the found lines that runs along the known one. NaN where none was found.
    """

    n: int
    found_frac: float
    right_frac: float


def limb_errors(
    measurement: Sequence[Measurement | None], truths: Sequence[Truth]
) -> dict[str, ErrorSummary]:
    """Limb length, base diameter and scale, over photos that show the limb whole, its base, any."""
    rows = list(zip(measurement, truths, strict=True))
    length = [
        _told(s, lambda s: s.limb.length_mm, t.limb_length_mm)
        for s, t in rows
        if _shown(t, t.limb_line_px).all()
    ]
    base = [
        _told(s, lambda s: s.limb.base_diameter_mm, t.base_diameter_mm)
        for s, t in rows
        if _shows_base(t)
    ]
    scale = [_told(s, lambda s: s.scale.px_per_mm, t.px_per_mm) for s, t in rows]
    errors = {"length": length, "base_diameter": base, "px_per_mm": scale}
    return {name: summarise(np.array(values)) for name, values in errors.items()}


def position_errors(judged: Sequence[Judged]) -> ErrorSummary:
    """Place along the limb: error as a share of its length, over pairs where its base is shown."""
    return paired_errors(
        [j for j in judged if _shows_base(j.truth)],
        lambda j, t, f: (j.found.along_mm[f] - j.truth.along_mm[t]) / j.truth.limb_length_mm,
    )


def line_agreement(
    measurement: Sequence[Measurement | None], truths: Sequence[Truth]
) -> LineAgreement:
    """How much of the known limb lines was found, and how much of the found ones is right."""
    found, right = [], []
    for s, t in zip(measurement, truths, strict=True):
        known = _spread(t.limb_line_px)
        known = known[_shown(t, known)]
        if s is None or len(known) < 2:
            continue
        near_px = NEAR_FRAC * max(t.width_px, t.height_px)
        line = _spread(s.limb.line_px)
        found.append(_near_share(known, line, near_px) if len(line) else 0.0)
        if len(line):
            right.append(_near_share(line, known, near_px))
    return LineAgreement(len(found), _mean(found), _mean(right))


@dataclass(frozen=True)
class LineVerdicts:
    """How many limb lines are right, and whether the wrong ones carry a warning.

    Attributes
    ----------
    n : int
        Photos with a known line of which the photo shows something.
    right_n, wrong_n : int
        Lines of which half or more, or less, runs along the known one.
    wrong_unwarned_n : int
        Wrong ones without ``LIMB_UNSURE`` or ``LIMB_DOUBTFUL``.
    right_warned_n : int
        Right ones with such a warning: an answer held back for nothing.
    swapped_n, swapped_unwarned_n : int
        Right lines whose first end is the known last one; those without ``LIMB_ENDS_UNSURE``.
    """

    n: int
    right_n: int
    wrong_n: int
    wrong_unwarned_n: int
    right_warned_n: int
    swapped_n: int
    swapped_unwarned_n: int


def line_verdicts(
    measurement: Sequence[Measurement | None], truths: Sequence[Truth]
) -> LineVerdicts:
    """Right and wrong limb lines, warned of or not, over photos with a known line."""
    rows = [
        (right >= 0.5, m.limb.flags, m.flags, _is_swapped(m, t))
        for m, t, right in _judged_lines(measurement, truths)
    ]
    unsure = Flag.LIMB_UNSURE | Flag.LIMB_DOUBTFUL
    warned = [bool((own | every) & unsure) for _, own, every, _ in rows]
    right = [row[0] for row in rows]
    swapped = [row[0] and row[3] for row in rows]
    told = [bool((own | every) & Flag.LIMB_ENDS_UNSURE) for _, own, every, _ in rows]
    return LineVerdicts(
        n=line_agreement(measurement, truths).n,
        right_n=sum(right),
        wrong_n=len(right) - sum(right),
        wrong_unwarned_n=sum(not r and not w for r, w in zip(right, warned, strict=True)),
        right_warned_n=sum(r and w for r, w in zip(right, warned, strict=True)),
        swapped_n=sum(swapped),
        swapped_unwarned_n=sum(s and not t for s, t in zip(swapped, told, strict=True)),
    )


def calibration(
    measurement: Sequence[Measurement | None], truths: Sequence[Truth]
) -> list[tuple[float, int, float]]:
    """Reliability of the limb's chance: mean chance told, lines, share right, for each bin."""
    judged = _judged_lines(measurement, truths)
    told = np.array([m.limb.right_chance for m, _, _ in judged])
    right = np.array([share >= 0.5 for _, _, share in judged])
    bins = np.digitize(told, CHANCE_BINS)
    picks = [np.isfinite(told) & (bins == k) for k in range(len(CHANCE_BINS) + 1)]
    return [(float(told[p].mean()), int(p.sum()), float(right[p].mean())) for p in picks if p.any()]


def range_coverage(
    measurement: Sequence[Measurement | None], truths: Sequence[Truth]
) -> tuple[int, int]:
    """Photos whose count range holds the number known on the limb, and photos with a range.

    Where it is not known which fruit hang on the limb, all that are asked for are its.
    """
    held = [
        low <= int((~t.ignore & (t.on_limb != 0)).sum()) <= high
        for m, t in zip(measurement, truths, strict=True)
        if m is not None
        for low, high in [m.count_range_n]
        if math.isfinite(low)
    ]
    return sum(held), len(held)


def thickness_coverage(
    measurement: Sequence[Measurement | None], truths: Sequence[Truth]
) -> tuple[int, int]:
    """Photos whose range of the base's thickness holds the known one, and photos with a range."""
    held = [
        low <= t.base_diameter_mm <= high
        for m, t in zip(measurement, truths, strict=True)
        if m is not None and math.isfinite(t.base_diameter_mm) and _shows_base(t)
        for low, high in [m.limb.base_range_mm]
        if math.isfinite(low)
    ]
    return sum(held), len(held)


@dataclass(frozen=True)
class LimbFigures:
    """How well limbs were found and measured; each as the function of that name says.

    ``length``, ``base_diameter`` and ``px_per_mm`` are those of :func:`limb_errors`, ``chance`` of
    :func:`calibration`, the last two of :func:`range_coverage` and :func:`thickness_coverage`.
    """

    length: ErrorSummary
    base_diameter: ErrorSummary
    px_per_mm: ErrorSummary
    line: LineAgreement
    lines: LineVerdicts
    chance: list[tuple[float, int, float]]
    count_range_held: tuple[int, int]
    base_diameter_held: tuple[int, int]


def limb_figures(measurement: Sequence[Measurement | None], truths: Sequence[Truth]) -> LimbFigures:
    """All figures of the limb, over the same photos."""
    told = measurement, truths
    return LimbFigures(
        **limb_errors(*told),
        line=line_agreement(*told),
        lines=line_verdicts(*told),
        chance=calibration(*told),
        count_range_held=range_coverage(*told),
        base_diameter_held=thickness_coverage(*told),
    )


def _judged_lines(
    measurement: Sequence[Measurement | None], truths: Sequence[Truth]
) -> list[tuple[Measurement, Truth, float]]:
    """Found lines where one is known, with the share of each that is right."""
    out = []
    for m, t in zip(measurement, truths, strict=True):
        known = _spread(t.limb_line_px)
        known = known[_shown(t, known)]
        if m is not None and m.limb.found and len(known) >= 2:
            near_px = NEAR_FRAC * max(t.width_px, t.height_px)
            out.append((m, t, _near_share(_spread(m.limb.line_px), known, near_px)))
    return out


def _is_swapped(measurement: Measurement, truth: Truth) -> bool:
    found, known = measurement.limb.line_px[[0, -1]], truth.limb_line_px[[0, -1]]
    as_told = np.hypot(*(found - known).T).sum()
    return bool(np.hypot(*(found - known[::-1]).T).sum() < as_told)


def _near_share(points_px: FloatArray, line_px: FloatArray, near_px: float) -> float:
    gap_px = nearest_on_line(line_px, points_px[:, 0], points_px[:, 1])[1]
    return float(np.mean(gap_px < near_px))


def _spread(line_px: FloatArray) -> FloatArray:
    """Evenly spaced points of a line; none where it has no length."""
    return resampled(line_px, _POINTS_N) if line_length_px(line_px) > 0 else np.zeros((0, 2))


def _shown(truth: Truth, points_px: FloatArray) -> np.ndarray:
    size = np.array([truth.width_px, truth.height_px])
    return np.asarray(((points_px >= -0.5) & (points_px <= size - 0.5)).all(axis=1))


def _shows_base(truth: Truth) -> bool:
    """Whether the known limb starts in the photo; yes where its line is not known."""
    return bool(_shown(truth, truth.limb_line_px[:1]).all())


def _told(
    measurement: Measurement | None, value: Callable[[Measurement], float], known: float
) -> float:
    return math.nan if measurement is None or not known > 0 else value(measurement) / known - 1


def _mean(shares: Sequence[float]) -> float:
    return float(np.mean(shares)) if shares else math.nan
