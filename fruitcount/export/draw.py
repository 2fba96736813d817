"""Drawing primitives on a uint8 RGB array: shapes with a dark edge, dashed lines, text."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from fruitcount.export.words import BLACK, RGB
from fruitcount.files import PLAIN_FONT
from fruitcount.types import FloatArray, Pixels

_SHIFT = 4  # cv2 takes 1/16-pixel coordinates, so small circles do not jump about


@lru_cache(maxsize=32)
def _font(size_px: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(PLAIN_FONT), size_px)


def text_size(words: str, size_px: int) -> tuple[int, int]:
    """Width and height in pixels of one line of text."""
    left, top, right, bottom = _font(size_px).getbbox(words)
    return int(right - left), int(bottom - top)


def text(
    picture: Pixels,
    words: str,
    at: tuple[float, float],
    *,
    size_px: int,
    rgb: RGB,
    edge_rgb: RGB | None = None,
) -> None:
    """Write one line, its top left at ``at``, in place.

    Parameters
    ----------
    picture : uint8 array, shape (rows, columns, 3)
        Changed in place.
    words : str
        One line.
    at : tuple of float
        x, y of the top left in pixels.
    size_px : int
        Letter size. Larger is larger.
    rgb, edge_rgb : tuple of int
        Ink, and the outline that keeps it readable on a photo (None for none).
    """
    rows, columns = picture.shape[:2]
    width, height = text_size(words, size_px)
    pad = size_px
    x0, y0 = max(0, int(at[0]) - pad), max(0, int(at[1]) - pad)
    x1 = min(columns, int(at[0]) + width + pad)
    y1 = min(rows, int(at[1]) + height + 2 * pad)
    if x1 <= x0 or y1 <= y0:
        return
    # Only the patch under the words goes through Pillow: a 12 MP round trip costs 50 ms a line.
    patch = Image.fromarray(picture[y0:y1, x0:x1])
    stroke = 0 if edge_rgb is None else max(1, size_px // 9)
    ImageDraw.Draw(patch).text(
        (at[0] - x0, at[1] - y0),
        words,
        fill=rgb,
        font=_font(size_px),
        stroke_width=stroke,
        stroke_fill=edge_rgb,
    )
    picture[y0:y1, x0:x1] = np.asarray(patch)


def _fixed(value: float) -> int:
    return round(value * (1 << _SHIFT))


def _points(points: FloatArray) -> NDArray[np.int32]:
    return np.round(np.asarray(points) * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)


def outlined_line(
    picture: Pixels, points: FloatArray, rgb: RGB, width: int, *, closed: bool = False
) -> None:
    """A polyline with a dark edge, in place. ``points`` has shape (N, 2), x and y."""
    fixed = [_points(points)]
    cv2.polylines(picture, fixed, closed, BLACK, width + max(2, width // 2), cv2.LINE_AA, _SHIFT)
    cv2.polylines(picture, fixed, closed, rgb, width, cv2.LINE_AA, _SHIFT)


def dashed_line(
    picture: Pixels, start: FloatArray, end: FloatArray, *, rgb: RGB, width: int
) -> None:
    """A dashed straight line with a dark edge, in place; picture of shape (rows, columns, 3)."""
    way = end - start
    steps = max(1, int(np.hypot(*way) / (6.4 * width)))
    for i in range(steps):
        t0 = i / steps
        t1 = min(1.0, t0 + 1.0 / steps / 1.6)
        outlined_line(picture, np.array([start + way * t0, start + way * t1]), rgb, width)


def _ring(picture: Pixels, x: float, y: float, r: float, rgb: RGB, width: int) -> None:
    centre = (_fixed(x), _fixed(y))
    cv2.circle(picture, centre, _fixed(r), BLACK, width + max(2, width // 2), cv2.LINE_AA, _SHIFT)
    cv2.circle(picture, centre, _fixed(r), rgb, width, cv2.LINE_AA, _SHIFT)


def _dots(picture: Pixels, x: float, y: float, r: float, rgb: RGB, width: int) -> None:
    for angle in np.linspace(0, 2 * np.pi, 12, endpoint=False):
        px, py = x + r * np.cos(angle), y + r * np.sin(angle)
        cv2.circle(
            picture, (_fixed(px), _fixed(py)), _fixed(width * 0.8), rgb, -1, cv2.LINE_AA, _SHIFT
        )


def mark(
    picture: Pixels, at: tuple[float, float, float], shape: str, *, rgb: RGB, width: int
) -> None:
    """Draw one fruit's mark, in place.

    Parameters
    ----------
    picture : uint8 array, shape (rows, columns, 3)
    at : tuple of float
        x, y, r in pixels of this picture.
    shape : {"ring", "cross", "slash", "triangle", "dots"}
        ``ring`` a circle; ``cross`` a circle crossed out twice; ``slash`` crossed out once;
        ``triangle`` a point-down triangle; ``dots`` a dotted circle.
    rgb : tuple of int
    width : int
        Stroke in pixels. Larger is bolder.
    """
    x, y, r = at
    r = max(r, 2.5 * width)
    if shape == "dots":
        _dots(picture, x, y, r, rgb, width)
        return
    if shape == "triangle":
        corners = np.array(
            [[x - 1.2 * r, y - 0.8 * r], [x + 1.2 * r, y - 0.8 * r], [x, y + 1.4 * r]]
        )
        outlined_line(picture, corners, rgb, width, closed=True)
        return
    _ring(picture, x, y, r, rgb, width)
    d = r * 1.05
    if shape in ("cross", "slash"):
        outlined_line(picture, np.array([[x - d, y + d], [x + d, y - d]]), rgb, width)
    if shape == "cross":
        outlined_line(picture, np.array([[x - d, y - d], [x + d, y + d]]), rgb, width)
