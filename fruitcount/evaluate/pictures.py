"""Pictures of an evaluation: truth and found on the photo, and the curves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitcount.evaluate.completeness import CompletenessCurve
from fruitcount.evaluate.known import Truth
from fruitcount.evaluate.scores import Curve, Judged
from fruitcount.image.opencv import cv2
from fruitcount.types import FloatArray, Pixels

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
_LEFT, _TOP, _SIDE = 80, 40, 520


def draw_judged(rgb: Pixels, judged: Judged) -> Pixels:
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


def draw_curves(curves: dict[str, tuple[Curve, float]]) -> Pixels:
    """Draw precision against recall, one line a set.

    Parameters
    ----------
    curves : dict
        Name of the set to its curve and the shipped threshold, which is marked by a dot.

    Returns
    -------
    uint8 array, shape (640, 920, 3)
    """
    canvas = _axes("recall (share of fruit found)", "precision (share of marks that are fruit)")
    for row, (name, (curve, threshold)) in enumerate(curves.items()):
        colour = _CURVES[row % len(_CURVES)]
        points = _at(curve.recall, curve.precision)
        if len(points):
            cv2.polylines(canvas, [points], False, colour, 2, cv2.LINE_AA)
            shipped = int(np.searchsorted(-curve.threshold, -threshold, side="right")) - 1
            if shipped >= 0:
                x, y = points[shipped].tolist()
                cv2.circle(canvas, (x, y), 6, colour, -1, cv2.LINE_AA)
        label = f"{name}  AP {curve.average_precision:.2f}"
        _write(canvas, label, (_LEFT + _SIDE + 14, _TOP + 16 + 22 * row), colour)
    return canvas


def draw_completeness(curve: CompletenessCurve) -> Pixels:
    """Draw the recovered share by bin, with its 95 % interval as an upright bar.

    Parameters
    ----------
    curve : CompletenessCurve

    Returns
    -------
    uint8 array, shape (640, 920, 3)
        The level axis runs over the bins' values, from the lowest to the highest.
    """
    words = {"r_px": "radius, pixels", "contrast": "colour difference to the place around it"}
    low, high = (float(v) for v in (curve.low.min(initial=0), curve.high.max(initial=0)))
    name = words.get(curve.property_name, curve.property_name)
    canvas = _axes(f"{name}: {low:.0f} to {high:.0f}", "share recovered", ticks=False)
    middle = ((curve.low + curve.high) / 2 - low) / max(high - low, 1e-9)
    ends = zip(_at(middle, curve.share_low), _at(middle, curve.share_high), strict=True)
    for bottom, top in ends:
        cv2.line(canvas, bottom.tolist(), top.tolist(), _CURVES[4], 2, cv2.LINE_AA)
    points = _at(middle, curve.share)
    cv2.polylines(canvas, [points], False, _CURVES[0], 2, cv2.LINE_AA)
    for (x, y), n in zip(points.tolist(), curve.n.tolist(), strict=True):
        cv2.circle(canvas, (x, y), 5, _CURVES[0], -1, cv2.LINE_AA)
        _write(canvas, f"n {n}", (x + 8, y - 8))
    return canvas


def _axes(across: str, upright: str, *, ticks: bool = True) -> Pixels:
    """A square of 0 to 1 both ways; ``ticks`` also numbers the level axis."""
    canvas = np.full((640, 920, 3), 255, np.uint8)
    for step in range(11):
        at = round(_SIDE * step / 10)
        shade = (0, 0, 0) if step in (0, 10) else (225, 225, 225)
        cv2.line(canvas, (_LEFT + at, _TOP), (_LEFT + at, _TOP + _SIDE), shade, 1)
        cv2.line(canvas, (_LEFT, _TOP + at), (_LEFT + _SIDE, _TOP + at), shade, 1)
        if step % 2 == 0:
            _write(canvas, f"{1 - step / 10:.1f}", (_LEFT - 38, _TOP + at + 5))
            if ticks:
                _write(canvas, f"{step / 10:.1f}", (_LEFT + at - 12, _TOP + _SIDE + 20))
    _write(canvas, across, (_LEFT + 150, _TOP + _SIDE + 48))
    _write(canvas, upright, (_LEFT, _TOP - 14))
    return canvas


def _at(across: FloatArray, upright: FloatArray) -> NDArray[np.int32]:
    """Shares 0 to 1 to pixels of :func:`_axes`."""
    points = np.column_stack([_LEFT + across * _SIDE, _TOP + (1 - upright) * _SIDE])
    return np.asarray(points.round(), np.int32).reshape(-1, 2)


def _point(zoom: float, x_px: float, y_px: float) -> tuple[int, int]:
    return round((x_px + 0.5) * zoom - 0.5), round((y_px + 0.5) * zoom - 0.5)


def _circle(
    canvas: Pixels, zoom: float, x: float, y: float, r: float, colour: Rgb, width: int
) -> None:
    radius = max(2, round(float(r) * zoom)) if np.isfinite(r) else 4
    cv2.circle(canvas, _point(zoom, x, y), radius, colour, width, cv2.LINE_AA)


def _missed(canvas: Pixels, zoom: float, truth: Truth, i: int) -> None:
    half_w, half_h = truth.half_w_px[i], truth.half_h_px[i]
    if not np.isfinite(half_w):
        half_w = half_h = truth.r_px[i]
    low = _point(zoom, truth.x_px[i] - half_w, truth.y_px[i] - half_h)
    high = _point(zoom, truth.x_px[i] + half_w, truth.y_px[i] + half_h)
    cv2.rectangle(canvas, low, high, _MISSED, 2, cv2.LINE_AA)


def _with_caption(canvas: Pixels, words: str) -> Pixels:
    strip = np.full((28, canvas.shape[1], 3), 255, np.uint8)
    _write(strip, words, (8, 19))
    return np.vstack([canvas, strip])


def _write(canvas: Pixels, words: str, at: tuple[int, int], colour: Rgb = (0, 0, 0)) -> None:
    cv2.putText(canvas, words, at, cv2.FONT_HERSHEY_SIMPLEX, 0.45, colour, 1, cv2.LINE_AA)
