"""Single strokes of a drawn scene: a shaded fruit disc, a leaf, a scale card."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from fruitcount.image.opencv import card_pattern, cv2
from fruitcount.types import F32, BoolArray, FloatArray

Canvas = F32
LEAF_RGB = (62, 104, 46)
# Linear light of toner and paper, exposed so that white stays short of clipping in every light.
_BLACK_LIGHT, _WHITE_LIGHT = 0.02, 0.62


def draw_fruit(
    canvas: Canvas,
    disc: tuple[float, float, float],
    rgb: tuple[float, float, float],
    *,
    rng: np.random.Generator,
    falloff: float = 0.8,
    owner: NDArray[np.int32] | None = None,
    index: int = 0,
) -> None:
    """Draw one shaded disc onto a float canvas, in place.

    Parameters
    ----------
    canvas : float32 array, shape (rows, columns, 3)
        0 to 255.
    disc : tuple of (x_px, y_px, r_px)
    rgb : tuple
        Colour of the sunlit side.
    rng : Generator
        For the skin's speckle.
    falloff : float
        0 is flat, 1 darkens the far rim to about half.
    owner : int32 array, optional
        Set to ``index`` where the disc covers at least half of a pixel.
    index : int
    """
    x, y, r = disc
    x0, y0 = max(0, math.floor(x - r - 1)), max(0, math.floor(y - r - 1))
    x1 = min(canvas.shape[1], math.ceil(x + r + 2))
    y1 = min(canvas.shape[0], math.ceil(y + r + 2))
    if x0 >= x1 or y0 >= y1:
        return
    yy, xx = np.mgrid[y0:y1, x0:x1].astype(np.float32)
    dx, dy = (xx - x) / r, (yy - y) / r
    rho2 = dx**2 + dy**2
    alpha = np.clip(r - np.sqrt(rho2) * r + 0.5, 0, 1)[..., None]
    # Sphere lit from the upper left, the usual Lambert cosine.
    cosine = -0.45 * dx - 0.6 * dy + 0.66 * np.sqrt(np.clip(1 - rho2, 0, 1))
    shade = 1 - falloff * 0.55 * (1 - np.clip(cosine, 0, 1))
    speckle = 1 + 0.04 * rng.standard_normal(shade.shape).astype(np.float32)
    skin = np.array(rgb, np.float32) * (shade * speckle)[..., None]
    patch = canvas[y0:y1, x0:x1]
    patch += alpha * (skin - patch)
    if owner is not None:
        owner[y0:y1, x0:x1][alpha[..., 0] >= 0.5] = index


def draw_card(
    canvas: Canvas, corner_px: tuple[float, float], side_px: float, card_id: int
) -> FloatArray:
    """Draw a card facing the camera, in place, with a white margin of a quarter of its side.

    Parameters
    ----------
    canvas : float32 array
    corner_px : tuple of (x, y)
        Outer corner of the black square, upper left.
    side_px : float
    card_id : int
        0 to 49, of the open 4x4 dictionary with 50 numbers.

    Returns
    -------
    array, shape (4, 2)
        Corners of the black square, clockwise from upper left.
    """
    dictionary = card_pattern()
    white = np.ones((8, 8))
    white[1:7, 1:7] = cv2.aruco.generateImageMarker(dictionary, card_id, 6) > 0
    edges = np.array([-1.5, *range(7), 7.5]) * side_px / 6
    down = _cell_shares(edges + corner_px[1], canvas.shape[0])
    across = _cell_shares(edges + corner_px[0], canvas.shape[1])
    cover = (down.sum(axis=1)[:, None] * across.sum(axis=1)[None, :]).clip(0, 1)
    # A sensor sums light, not sRGB values: mix black and white paper in linear light.
    light = (_BLACK_LIGHT * cover + (_WHITE_LIGHT - _BLACK_LIGHT) * (down @ white @ across.T)).clip(
        0
    )
    grey = 255 * np.where(light < 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    rows = slice(*_span(cover.any(axis=1)))
    columns = slice(*_span(cover.any(axis=0)))
    part = canvas[rows, columns]
    part += (cover[rows, columns, None] * (grey[rows, columns, None] - part)).astype(np.float32)
    x, y = corner_px
    return np.array(
        [[x, y], [x + side_px, y], [x + side_px, y + side_px], [x, y + side_px]], np.float64
    )


def draw_leaf(
    canvas: Canvas,
    rng: np.random.Generator,
    at: tuple[float, float],
    length_px: float,
    owner: NDArray[np.int32] | None = None,
) -> None:
    """One long narrow leaf with a paler midrib, in place.

    ``canvas`` has shape (rows, columns, 3), ``owner`` shape (rows, columns).

    Parameters
    ----------
    canvas : float32 array
    rng : Generator
        Gives its direction, breadth and shade.
    at : tuple of (x_px, y_px)
    length_px : float
    owner : int32 array, optional
        Set to -1 where the leaf covers.
    """
    turn = rng.uniform(0, 2 * math.pi)
    t = np.linspace(0, math.pi, 14)
    half = length_px * rng.uniform(0.1, 0.18)
    along = np.concatenate([np.cos(t), np.cos(t[::-1])]) * length_px / 2
    across = np.concatenate([np.sin(t), -np.sin(t[::-1])]) * half
    x = at[0] + along * math.cos(turn) - across * math.sin(turn)
    y = at[1] + along * math.sin(turn) + across * math.cos(turn)
    outline = np.column_stack([x, y]).round().astype(np.int32)
    shade = rng.uniform(0.6, 1.5)
    tint = np.array(LEAF_RGB) * shade + rng.normal(0, 6, 3)
    rgb = tuple(float(v) for v in tint)
    cv2.fillPoly(canvas, [outline], rgb)
    rib = tuple(float(v * 1.2) for v in tint)
    ends = [tuple(outline[i].tolist()) for i in (0, 13)]
    cv2.line(canvas, ends[0], ends[1], rib, max(1, round(half / 6)))
    if owner is not None:
        cv2.fillPoly(owner, [outline], -1)


def _cell_shares(edges_px: FloatArray, n: int) -> FloatArray:
    """Share of each of n pixels that each interval between the edges covers, shape (n, cells)."""
    low = np.arange(n)[:, None] - 0.5
    covered = np.minimum(edges_px[None, 1:], low + 1) - np.maximum(edges_px[None, :-1], low)
    return np.asarray(covered.clip(0, 1))


def _span(used: BoolArray) -> tuple[int, int]:
    at = np.nonzero(used)[0]
    return (int(at[0]), int(at[-1]) + 1) if len(at) else (0, 0)
