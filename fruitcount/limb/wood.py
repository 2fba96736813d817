"""How likely each pixel is wood, how strongly it lies on a woody ridge; least-cost paths there.

What bark looks like, each photo tells by itself: the colours inside the limb's band against those
on both sides, since sun, shade and sky shift colours too much for a fixed rule.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from skimage.graph import MCP_Geometric

from fruitcount.image.opencv import cv2, reduced_to
from fruitcount.types import (
    F32,
    BoolArray,
    FloatArray,
    Fruitlets,
    IntArray,
    Maps,
    Photo,
    Pixels,
    Scale,
)

# Half-widths searched, as shares of the field's long side: twigs of 1 % to limbs of 12 %.
_SIGMA_FRACS = (0.0032, 0.0055, 0.0095, 0.016, 0.027)
_TURNS = 12


@dataclass(frozen=True, eq=False)
class Field:
    """A reduced picture of woody ridges.

    Attributes
    ----------
    ridge : float32 array, shape (h, w)
        0 to 1: on the middle of something long, thin and woody.
    wood : float32 array, shape (h, w)
        0 to 1: colour (or the trained map) says wood.
    hidden : bool array, shape (h, w)
        Fruit and card: the limb may pass behind, nothing can be told.
    px_per_cell : float
        Photo px per field cell, with the same centre rule as :class:`fruitcount.types.Maps`.
    """

    ridge: F32
    wood: F32
    hidden: BoolArray
    px_per_cell: float

    def to_cells(self, points_px: FloatArray) -> FloatArray:
        """Photo x, y to field x, y."""
        return np.asarray((points_px + 0.5) / self.px_per_cell - 0.5, np.float64)

    def to_px(self, cells: FloatArray) -> FloatArray:
        """Field x, y to photo x, y."""
        return np.asarray((cells + 0.5) * self.px_per_cell - 0.5, np.float64)


def reduced(rgb: Pixels, long_side: int) -> tuple[Pixels, float]:
    """The picture with the given long side (never enlarged), and photo px per its pixel.

    Shape (rows, columns, 3) before and after.
    """
    factor = max(rgb.shape[:2]) / long_side
    if factor <= 1:
        return rgb, 1.0
    size = (max(1, round(rgb.shape[1] / factor)), max(1, round(rgb.shape[0] / factor)))
    return reduced_to(rgb, size, spare=7), max(rgb.shape[:2]) / max(size)


def colour_wood(rgb: NDArray[Any]) -> F32:
    """Likelihood of wood by colour: neither green, nor blue, nor bright.

    Parameters
    ----------
    rgb : array, shape (h, w, 3), 0-255

    Returns
    -------
    float32 array, shape (h, w), 0 to 1

    Notes
    -----
    Bark of stone fruit is red-brown to grey-brown; against the sky it is nearly black. Leaves
    have an excess green of 0.2 or more of their light, bark under 0.08 in sun and shade. Own
    measurement on phone photos; no publication.
    """
    c = np.asarray(rgb, np.float32) / 255
    red, green, blue = c[..., 0], c[..., 1], c[..., 2]
    light = red + green + blue
    excess = (2 * green - red - blue) / (light + 0.12)
    not_green = 1 / (1 + np.exp((excess - 0.13) / 0.035))
    sky = (blue - red) / (light + 0.12)
    not_sky = 1 / (1 + np.exp((sky - 0.06) / 0.03) * np.clip(light / 0.8, 0, 1))
    not_bright = 1 / (1 + np.exp((light / 3 - 0.62) / 0.06))
    return np.asarray(not_green * not_sky * not_bright, np.float32)


@dataclass(frozen=True, eq=False)
class Scene:
    """A photo, its maps, and the fruit and scale found on it: what a limb is looked for in."""

    photo: Photo
    maps: Maps | None
    fruitlets: Fruitlets
    scale: Scale


def make_field(scene: Scene, long_side: int) -> Field:
    """Woody ridges of a photo on a reduced grid.

    Parameters
    ----------
    scene : Scene
        Where the ``wood`` of its maps is finite it is averaged with the colour, three to one.
        Fruit discs and the card's place are marked as hidden; near fruit a ridge counts a little
        more.
    long_side : int
        Size of the grid. Larger is finer and slower.
    """
    maps, fruitlets = scene.maps, scene.fruitlets
    small, px_per_cell = reduced(scene.photo.rgb, long_side)
    wood = colour_wood(small)
    if maps is not None and np.isfinite(maps.wood).any():
        told = _resampled(maps, small.shape[:2], px_per_cell)
        wood = np.where(np.isfinite(told), 0.25 * wood + 0.75 * told, wood)
    hidden = _hidden(fruitlets, scene.scale, small.shape[:2], px_per_cell)
    wood = np.where(hidden, np.float32(0.3), wood).astype(np.float32)
    grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), np.float32) / np.float32(255)
    strength = ridge(wood, grey, hidden)
    strength *= _near_fruit(fruitlets, small.shape[:2], px_per_cell)
    return Field(_unit(strength), wood, hidden, px_per_cell)


def ridge(wood: F32, grey: NDArray[np.floating[Any]], hidden: BoolArray) -> F32:
    """Ridge strength over several widths, gathered along straight pieces.

    All arrays have the shape (rows, columns); ``wood`` runs from 0 to 1.

    For each of twelve directions and each width, a bar is what is woodier (or darker and woody)
    than *both* of its sides, so that the rim of a patch of soil is none. Gathering along the
    direction over 8 % of the picture favours a limb over a leaf's rib.
    """
    long_side = max(wood.shape)
    open_wood = np.where(hidden, np.float32(0), wood)
    dark = np.minimum(1 - grey, 1).astype(np.float32) * open_wood
    layers = [_Layer.of([open_wood, dark], max(0.7, share * long_side)) for share in _SIGMA_FRACS]
    length = max(7, round(0.08 * long_side))
    out = np.zeros(wood.shape, np.float32)
    for k in range(_TURNS):
        turn = np.pi * k / _TURNS
        bar = np.zeros(wood.shape, np.float32)
        for layer in layers:
            woody, darkness = layer.bars(turn)
            darkness *= np.float32(0.3)
            woody += darkness
            np.maximum(bar, woody, out=bar)
        np.maximum(out, _gathered(bar, turn, length), out=out)
    return out


@dataclass(frozen=True, eq=False)
class _Layer:
    """Pictures smoothed to one width, each with a rim so that a shifted copy is a mere view.

    Beyond the frame they are taken as woody (1), so that no bar lies there.
    """

    rimmed: list[F32]
    rim: int
    reach: float

    @classmethod
    def of(cls, pictures: list[F32], sigma: float) -> _Layer:
        reach = 2.5 * sigma + 1
        rim = math.ceil(reach)
        smooth = (cv2.GaussianBlur(picture, (0, 0), sigma) for picture in pictures)
        rimmed = [np.pad(np.asarray(s, np.float32), rim, constant_values=1) for s in smooth]
        return cls(rimmed, rim, reach)

    def bars(self, turn: float) -> list[F32]:
        """How far each picture stands above both neighbours across the direction ``turn``."""
        dx, dy = round(-np.sin(turn) * self.reach), round(np.cos(turn) * self.reach)
        out = []
        for picture in self.rimmed:
            bar = np.maximum(self._view(picture, dx, dy), self._view(picture, -dx, -dy))
            np.subtract(self._view(picture, 0, 0), bar, out=bar)
            out.append(np.maximum(bar, 0, out=bar))
        return out

    def _view(self, picture: F32, dx: int, dy: int) -> F32:
        rows, columns = (n - 2 * self.rim for n in picture.shape)
        top, left = self.rim + dy, self.rim + dx
        return picture[top : top + rows, left : left + columns]


def _gathered(bar: F32, turn: float, length: int) -> F32:
    kernel = _line_kernel(length, turn)
    gathered = cv2.filter2D(bar, cv2.CV_32F, kernel, borderType=cv2.BORDER_REFLECT)
    # The geometric mean keeps the sharp middle and asks for support along the line.
    sharp = np.sqrt(gathered * np.minimum(bar, 3 * gathered))
    return np.asarray(np.maximum(sharp, 0.6 * gathered), np.float32)


def _line_kernel(length: int, turn: float) -> F32:
    half = length // 2
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    along = x * np.cos(turn) + y * np.sin(turn)
    across = -x * np.sin(turn) + y * np.cos(turn)
    kernel = np.exp(-((across / 1.0) ** 2) - (along / (half / 1.5)) ** 2)
    return np.asarray(kernel / kernel.sum(), np.float32)


def _unit(strength: F32) -> F32:
    """Scaled so that the strongest two per cent of the picture reach 1.

    Weaker pictures are not stretched: under 0.12 the contrast is that of noise.
    """
    top = float(np.percentile(strength, 98.5))
    return np.asarray(np.clip(strength / max(top, 0.12), 0, 1), np.float32)


def _resampled(maps: Maps, shape: tuple[int, ...], px_per_cell: float) -> F32:
    rows, columns = shape[:2]
    x = ((np.arange(columns) + 0.5) * px_per_cell / maps.px_per_cell - 0.5).astype(np.float32)
    y = ((np.arange(rows) + 0.5) * px_per_cell / maps.px_per_cell - 0.5).astype(np.float32)
    grid_x, grid_y = np.meshgrid(x, y)
    told = cv2.remap(
        np.asarray(maps.wood, np.float32),
        grid_x,
        grid_y,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(told, np.float32)


def _hidden(
    fruitlets: Fruitlets, scale: Scale, shape: tuple[int, ...], px_per_cell: float
) -> BoolArray:
    mask = np.zeros(shape[:2], np.uint8)
    for x, y, r in zip(fruitlets.x_px, fruitlets.y_px, fruitlets.r_px, strict=True):
        if np.isfinite([x, y, r]).all():
            centre = (round((x + 0.5) / px_per_cell - 0.5), round((y + 0.5) / px_per_cell - 0.5))
            cv2.circle(mask, centre, max(1, round(1.05 * r / px_per_cell)), 1, -1)
    if len(scale.corners_px) == 4:
        middle = scale.corners_px.mean(axis=0)
        # The card's white rim reaches one cell, a third of the half side, beyond the corners.
        rim = middle + 1.4 * (scale.corners_px - middle)
        polygon = np.rint((rim + 0.5) / px_per_cell - 0.5).astype(np.int32)
        cv2.fillConvexPoly(mask, polygon.reshape(-1, 1, 2), 1)
    return mask.astype(bool)


def _near_fruit(fruitlets: Fruitlets, shape: tuple[int, ...], px_per_cell: float) -> F32:
    """1 far from fruit, up to 2 beside it: limbs that carry fruit are the ones photographed."""
    boost = np.zeros(shape[:2], np.float32)
    good = np.isfinite(fruitlets.x_px) & np.isfinite(fruitlets.r_px)
    if not good.any():
        return np.ones(shape[:2], np.float32)
    for x, y in zip(fruitlets.x_px[good], fruitlets.y_px[good], strict=True):
        column = int(np.clip(round(x / px_per_cell), 0, shape[1] - 1))
        row = int(np.clip(round(y / px_per_cell), 0, shape[0] - 1))
        boost[row, column] = 1
    sigma = max(2.0, 4.0 * float(np.median(fruitlets.r_px[good])) / px_per_cell)
    near = cv2.GaussianBlur(boost, (0, 0), sigma) * (2 * np.pi * sigma**2)
    return np.asarray(1 + np.clip(near, 0, 1), np.float32)


_BINS = (16, 16, 16)


def bark_likelihood(
    colours: FloatArray, offset_px: FloatArray, half_px: float, wood: FloatArray
) -> FloatArray:
    """How likely each sample of a straightened band is bark, 0 to 1.

    Parameters
    ----------
    colours : array, shape (stations, offsets, 3)
        RGB 0-255; NaN outside the photo.
    offset_px : array, shape (offsets,)
    half_px : float, px
        Expected half width of the limb.
    wood : array, shape (stations, offsets)
        First guess by the fixed rule or the trained map.

    Returns
    -------
    array, shape (stations, offsets)
        The first guess where too few samples are bark-like to learn from.
    """
    lab = _lab(colours)
    outside_photo = ~np.isfinite(colours).all(axis=2)
    inner = (np.abs(offset_px) <= 0.5 * half_px)[None, :] & (wood > 0.5) & ~outside_photo
    away = np.abs(offset_px)
    beside = ((away > 1.5 * half_px + 1) & (away <= 3 * half_px + 2))[None, :] & ~outside_photo
    beside = beside & (wood < 0.8)
    if inner.sum() < 40 or beside.sum() < 40:
        return np.where(outside_photo, 0.0, wood)
    index = _bins(lab)
    bark, other = _histogram(index[inner]), _histogram(index[beside])
    share = bark / (bark + other + 1e-12)
    # Colours seen in neither place stay with the first guess.
    known = (bark + other) > 1e-4
    out = np.where(known[index], share[index], wood)
    return np.where(outside_photo, 0.0, out)


def _lab(colours: FloatArray) -> F32:
    filled = np.nan_to_num(colours, nan=255.0).astype(np.float32) / np.float32(255)
    return np.asarray(cv2.cvtColor(filled, cv2.COLOR_RGB2LAB), np.float32)


def _bins(lab: F32) -> IntArray:
    """Flat bin number of each colour; lightness in even steps, a and b within +-48."""
    light = np.clip(lab[..., 0] / 100 * _BINS[0], 0, _BINS[0] - 1).astype(np.int64)
    a = np.clip((lab[..., 1] + 48) / 96 * _BINS[1], 0, _BINS[1] - 1).astype(np.int64)
    b = np.clip((lab[..., 2] + 48) / 96 * _BINS[2], 0, _BINS[2] - 1).astype(np.int64)
    return np.asarray((light * _BINS[1] + a) * _BINS[2] + b, np.int64)


def _histogram(index: NDArray[Any]) -> FloatArray:
    count = np.bincount(index, minlength=int(np.prod(_BINS))).reshape(_BINS).astype(np.float64)
    smooth = gaussian_filter(count, (1.2, 0.8, 0.8), mode="nearest").ravel()
    return np.asarray(smooth / max(float(smooth.sum()), 1e-12), np.float64)


# Gain per cell of straight distance is 1, loss is this times the path's cost: 0.45 on a clear
# ridge, 1 off it. Set on 14 phone photos and 27 path-traced ones, where fewer right lines were
# found with a floor of 0.25 (paths wander) or a loss of 1.15 (paths run on over leaves).
_LOSS = 1.45
_LEAST_COST = 0.45
_HIDDEN_COST = 0.55


def cost_of(field: Field) -> FloatArray:
    """Cost of crossing each cell, 0.45 on a strong ridge to 1 off it, shape (h, w).

    The floor makes length cost something everywhere, so that paths run straight.
    """
    cost = _LEAST_COST + (1 - _LEAST_COST) * (1 - field.ridge.astype(np.float64)) ** 2
    cost[field.hidden] = np.minimum(cost[field.hidden], _HIDDEN_COST)
    return np.asarray(cost, np.float64)


def route_between(cost: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """Cells (N, 2) of the cheapest path between two field positions (x, y).

    ``cost`` has shape (rows, columns), one a cell; each position shape (2,).
    """
    finish = _cell(cost, end)
    walk = MCP_Geometric(cost, fully_connected=True)
    walk.find_costs([_cell(cost, start)], [finish])
    return np.asarray(walk.traceback(finish), np.float64)[:, ::-1]


def route_from(cost: FloatArray, start: FloatArray) -> FloatArray:
    """Cells (N, 2) of the path from a field position to the end that makes it most limb-like.

    ``cost`` has shape (rows, columns), one a cell; the position shape (2,).
    """
    begin = _cell(cost, start)
    walk = MCP_Geometric(cost, fully_connected=True)
    total, _ = walk.find_costs([begin])
    rows, columns = np.ogrid[: cost.shape[0], : cost.shape[1]]
    merit = np.sqrt((rows - begin[0]) ** 2 + (columns - begin[1]) ** 2) - _LOSS * total
    finish = np.unravel_index(int(np.argmax(merit)), merit.shape)
    return np.asarray(walk.traceback(finish), np.float64)[:, ::-1]


def _cell(cost: FloatArray, at: FloatArray) -> tuple[int, int]:
    row = int(np.clip(round(float(at[1])), 0, cost.shape[0] - 1))
    column = int(np.clip(round(float(at[0])), 0, cost.shape[1] - 1))
    return row, column
