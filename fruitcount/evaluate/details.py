"""Beyond the count: sizes, classes, and recall by condition."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fruitcount.evaluate.known import Truth
from fruitcount.evaluate.scores import Judged, Tally
from fruitcount.types import FloatArray, IntArray, Kind

CONFUSION_NAMES = ("fruit", "yellowing", "damaged", "none")
"""Rows (truth) and columns (found) of the confusion table."""

_SIZE_EDGES_PX = (8.0, 16.0, 32.0, 64.0)
_SIZE_WORDS = ("r under 8 px", "r 8-16 px", "r 16-32 px", "r 32-64 px", "r over 64 px")
_VISIBLE_EDGES = (0.5, 0.75, 0.95)


@dataclass(frozen=True)
class ErrorSummary:
    """Relative errors: how many, median of the absolute, median of the signed."""

    n: int
    median_abs_frac: float
    median_signed_frac: float


def summarise(relative: FloatArray) -> ErrorSummary:
    """Summarise relative errors; NaN entries are left out.

    Shape (N,), as shares of the true value.
    """
    told = relative[np.isfinite(relative)]
    if not len(told):
        return ErrorSummary(0, math.nan, math.nan)
    return ErrorSummary(len(told), float(np.median(np.abs(told))), float(np.median(told)))


def radius_errors(judged: Sequence[Judged]) -> ErrorSummary:
    """Radius found against known radius in pixels, over pairs (boxes: of the filled share)."""
    return paired_errors(judged, lambda j, t, f: j.found.r_px[f] / j.truth.r_px[t] - 1)


def diameter_errors(judged: Sequence[Judged]) -> ErrorSummary:
    """Diameter in mm found against known, over pairs where both are told."""
    return paired_errors(
        judged, lambda j, t, f: j.found.diameter_mm[f] / j.truth.diameter_mm[t] - 1
    )


def class_confusion(judged: Sequence[Judged]) -> IntArray:
    """Classes of known fruit (rows) against found (columns), order of ``CONFUSION_NAMES``.

    Shape (K, K) for K names.

    The last column counts missed fruit, the last row false marks.
    """
    table = np.zeros((4, 4), np.int64)
    for j in judged:
        m = j.matching
        hit = m.truth_of >= 0
        np.add.at(table, (j.truth.kind[m.truth_of[hit]], j.found.kind[hit]), 1)
        np.add.at(table[:, 3], j.truth.kind[m.asked & (m.found_of < 0)], 1)
        np.add.at(table[3], j.found.kind[~hit & ~m.dropped], 1)
    return table


def yellowing_scores(table: IntArray) -> Tally:
    """Precision and recall of "yellowing" from a confusion table.

    ``table`` has shape (K, K) as :func:`class_confusion` gives it.

    A yellowing mark on nothing counts as false, and a yellowing fruit not marked at all as missed.
    """
    y = int(Kind.YELLOWING)
    hits = int(table[y, y])
    return Tally(hits, int(table[:, y].sum()) - hits, int(table[y].sum()) - hits)


def crowding_of(truth: Truth) -> FloatArray:
    """Gap to the nearest other known fruit as a share of the mean radius; inf when alone.

    Shape (N,), one a known fruit.

    Zero means touching outlines, negative means overlapping.
    """
    if len(truth) < 2:
        return np.full(len(truth), np.inf)
    distance = np.hypot(
        truth.x_px[:, None] - truth.x_px[None, :], truth.y_px[:, None] - truth.y_px[None, :]
    )
    reach = (truth.r_px[:, None] + truth.r_px[None, :]) / 2
    gap = distance / np.maximum(reach, 1e-9) - 2
    np.fill_diagonal(gap, np.inf)
    return np.asarray(gap.min(axis=1))


def _size_words(truth: Truth) -> list[str]:
    return [_SIZE_WORDS[i] for i in np.digitize(truth.r_px, _SIZE_EDGES_PX)]


def _crowding_words(truth: Truth) -> list[str]:
    names = ["touching", "within a radius", "apart"]
    return [names[i] for i in np.digitize(crowding_of(truth), (0.1, 1.0))]


def _visible_words(truth: Truth) -> list[str]:
    names = ["under 0.5", "0.5-0.75", "0.75-0.95", "all seen"]
    told = np.isfinite(truth.visible_frac)
    index = np.digitize(np.nan_to_num(truth.visible_frac), _VISIBLE_EDGES)
    return [names[i] if ok else "not known" for i, ok in zip(index, told, strict=True)]


def _light_words(truth: Truth) -> list[str]:
    return [truth.light or "not known"] * len(truth)


def _limb_words(truth: Truth) -> list[str]:
    names = {1: "this limb", 0: "elsewhere"}
    return [names.get(int(v), "not known") for v in truth.on_limb]


CONDITIONS: dict[str, Callable[[Truth], list[str]]] = {
    "size": _size_words,
    "crowding": _crowding_words,
    "visible share": _visible_words,
    "light": _light_words,
    "whose fruit": _limb_words,
}


def recall_by(judged: Sequence[Judged], condition: str) -> dict[str, tuple[int, int]]:
    """Hits and asked fruit by a condition of each known fruit.

    Parameters
    ----------
    judged : sequence of Judged
    condition : str
        A key of ``CONDITIONS``.

    Returns
    -------
    dict
        Word of the condition to (hits, asked). Precision has no such split: a false mark has no
        known fruit to take the condition from.
    """
    out: dict[str, tuple[int, int]] = {}
    for j in judged:
        hit = j.matching.found_of >= 0
        words = CONDITIONS[condition](j.truth)
        for word, is_hit, asked in zip(words, hit, j.matching.asked, strict=True):
            if asked:
                hits, n = out.get(word, (0, 0))
                out[word] = (hits + int(is_hit), n + 1)
    return dict(sorted(out.items()))


def _usual_size_word(truth: Truth) -> str:
    asked = truth.r_px[~truth.ignore]
    if not len(asked):
        return ""
    return _SIZE_WORDS[int(np.digitize(np.median(asked), _SIZE_EDGES_PX))]


def _base_word(truth: Truth) -> str:
    """Whether the known limb starts in the photo; empty where its line is not known."""
    if not len(truth.limb_line_px):
        return ""
    x, y = truth.limb_line_px[0]
    inside = 0 <= x < truth.width_px and 0 <= y < truth.height_px
    return "in the photo" if inside else "outside it"


PHOTO_CONDITIONS: dict[str, Callable[[Truth], str]] = {
    "light": lambda truth: truth.light,
    "usual fruit": _usual_size_word,
    "limb's base": _base_word,
}


def rows_by(judged: Sequence[Judged], condition: str) -> dict[str, list[int]]:
    """Which photos share a condition.

    Parameters
    ----------
    judged : sequence of Judged
    condition : str
        A key of ``PHOTO_CONDITIONS``: the light, the median radius of the photo's fruit, where
        the limb's base is.

    Returns
    -------
    dict
        Rows of ``judged`` by its word; photos whose condition is not known are left out.
    """
    groups: dict[str, list[int]] = {}
    for row, j in enumerate(judged):
        groups.setdefault(PHOTO_CONDITIONS[condition](j.truth), []).append(row)
    return {word: rows for word, rows in sorted(groups.items()) if word}


def paired_errors(
    judged: Sequence[Judged], error: Callable[[Judged, IntArray, IntArray], FloatArray]
) -> ErrorSummary:
    """Summary of an error over all pairs of known and found fruit.

    The index arrays and the errors have shape (N,), one a pair.

    Parameters
    ----------
    judged : sequence of Judged
    error : callable
        Of a photo, the known fruit's indices and the found ones', the relative errors.
    """
    parts = []
    for j in judged:
        found = np.nonzero(j.matching.truth_of >= 0)[0]
        parts.append(error(j, j.matching.truth_of[found], found))
    return summarise(np.concatenate(parts) if parts else np.zeros(0))
