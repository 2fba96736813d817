"""Pictures of an evaluation: truth and found on the photo, and the precision-recall curve."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitcount.evaluate.known import Truth
from fruitcount.evaluate.scores import Curve, Judged
from fruitcount.image.opencv import cv2

__all__ = ["draw_curves", "draw_judged"]

Rgb = tuple[int, int, int]
# Told apart by brightness and by line as well as by hue: truth is thin, found is thick.
_HIT: Rgb = (40, 120, 255)
_FALSE: Rgb = (255, 70, 40)
_MISSED: Rgb = (255, 225, 0)
_IGNORED: Rgb = (150, 150, 150)
_CURVES: tuple[Rgb, ...] = (
    (20, 90, 200),
    (200, 60, 20),
    (20, 130, 60),
    (130, 60, 160),
    (90, 90, 90),
)
_LONG_SIDE_PX = 1400


def draw_judged(rgb: NDArray[np.uint8], judged: Judged) -> NDArray[np.uint8]:
    """Draw truth and detections on a photo.

    Blue: found and right. Red with a cross: found, but nothing is there. Yellow with a square
    corner box: missed. Grey: not asked for (thin), or a mark dropped for lying on such fruit.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)
    judged : Judged
        Its coordinates are those of ``rgb``.

    Returns
    -------
    uint8 array
        The picture with its long side at most 1400 pixels and a line of figures below.
    """
    zoom = min(1.0, _LONG_SIDE_PX / max(rgb.shape[:2]))
    size = (max(1, round(rgb.shape[1] * zoom)), max(1, round(rgb.shape[0] * zoom)))
    canvas = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    found, matching, truth = judged.found, judged.matching, judged.truth
    for i in range(len(truth)):
        if truth.ignore[i]:
            _circle(canvas, zoom, truth.x_px[i], truth.y_px[i], truth.r_px[i], _IGNORED, 1)
        elif matching.found_of[i] < 0:
            _missed(canvas, zoom, truth, i)
    for i in range(len(found)):
        hit, dropped = matching.truth_of[i] >= 0, matching.dropped[i]
        colour = _HIT if hit else _IGNORED if dropped else _FALSE
        _circle(canvas, zoom, found.x_px[i], found.y_px[i], found.r_px[i], colour, 2)
        if not hit and not dropped:
            x, y = _point(zoom, found.x_px[i], found.y_px[i])
            cv2.drawMarker(canvas, (x, y), colour, cv2.MARKER_TILTED_CROSS, 8, 2)
    m = matching
    words = f"{truth.name}: right {m.hits_n}, false {m.false_n}, missed {m.missed_n}"
    return _with_caption(canvas, words)


def draw_curves(curves: dict[str, tuple[Curve, float]]) -> NDArray[np.uint8]:
    """Draw precision against recall, one line a set.

    Parameters
    ----------
    curves : dict
        Name of the set to its curve and the shipped threshold, which is marked by a dot.

    Returns
    -------
    uint8 array, shape (640, 920, 3)
    """
    canvas = np.full((640, 920, 3), 255, np.uint8)
    left, top, side = 80, 40, 520
    for step in range(11):
        at = round(side * step / 10)
        shade = (0, 0, 0) if step in (0, 10) else (225, 225, 225)
        cv2.line(canvas, (left + at, top), (left + at, top + side), shade, 1)
        cv2.line(canvas, (left, top + at), (left + side, top + at), shade, 1)
        if step % 2 == 0:
            _write(canvas, f"{step / 10:.1f}", (left + at - 12, top + side + 20))
            _write(canvas, f"{1 - step / 10:.1f}", (left - 38, top + at + 5))
    _write(canvas, "recall (share of fruit found)", (left + 150, top + side + 48))
    _write(canvas, "precision (share of marks that are fruit)", (left, top - 14))
    for row, (name, (curve, threshold)) in enumerate(curves.items()):
        colour = _CURVES[row % len(_CURVES)]
        points = np.column_stack(
            [left + curve.recall * side, top + (1 - curve.precision) * side]
        ).round()
        if len(points):
            cv2.polylines(canvas, [points.astype(np.int32)], False, colour, 2, cv2.LINE_AA)
            shipped = int(np.searchsorted(-curve.threshold, -threshold, side="right")) - 1
            if shipped >= 0:
                x, y = points[shipped].astype(int).tolist()
                cv2.circle(canvas, (x, y), 6, colour, -1, cv2.LINE_AA)
        label = f"{name}  AP {curve.average_precision:.2f}"
        _write(canvas, label, (left + side + 14, top + 16 + 22 * row), colour)
    return canvas


def _point(zoom: float, x_px: float, y_px: float) -> tuple[int, int]:
    return round((x_px + 0.5) * zoom - 0.5), round((y_px + 0.5) * zoom - 0.5)


def _circle(
    canvas: NDArray[np.uint8], zoom: float, x: float, y: float, r: float, colour: Rgb, width: int
) -> None:
    radius = max(2, round(float(r) * zoom)) if np.isfinite(r) else 4
    cv2.circle(canvas, _point(zoom, x, y), radius, colour, width, cv2.LINE_AA)


def _missed(canvas: NDArray[np.uint8], zoom: float, truth: Truth, i: int) -> None:
    half_w, half_h = truth.half_w_px[i], truth.half_h_px[i]
    if not np.isfinite(half_w):
        half_w = half_h = truth.r_px[i]
    low = _point(zoom, truth.x_px[i] - half_w, truth.y_px[i] - half_h)
    high = _point(zoom, truth.x_px[i] + half_w, truth.y_px[i] + half_h)
    cv2.rectangle(canvas, low, high, _MISSED, 2, cv2.LINE_AA)


def _with_caption(canvas: NDArray[np.uint8], words: str) -> NDArray[np.uint8]:
    strip = np.full((28, canvas.shape[1], 3), 255, np.uint8)
    _write(strip, words, (8, 19))
    return np.vstack([canvas, strip])


def _write(
    canvas: NDArray[np.uint8], words: str, at: tuple[int, int], colour: Rgb = (0, 0, 0)
) -> None:
    cv2.putText(canvas, words, at, cv2.FONT_HERSHEY_SIMPLEX, 0.45, colour, 1, cv2.LINE_AA)
