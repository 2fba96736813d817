"""Side shoots that carry fruit: paths over woody ridges that leave the limb.

A shoot without fruit changes nothing in what to keep, and ribs of leaves look like shoots; so
only a path that comes nearer to some fruit than the limb does is kept.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from skimage.graph import MCP_Geometric

from fruitcount.image.card import on_card
from fruitcount.image.opencv import cv2, sample_grid
from fruitcount.limb.centre import centred, measure_width, places_across
from fruitcount.limb.wood import Field, Scene, cost_of
from fruitcount.lines import along_line, nearest_on_line, point_on_line, resampled
from fruitcount.types import BoolArray, FloatArray, IntArray, Photo, Shoot

# At most this many. Larger finds more of a branchy limb.
MAX_SHOOTS = 6

# Shortest shoot as a share of the photo's long side. Larger finds fewer.
MIN_LENGTH_FRAC = 0.06

# Smallest mean ridge strength along it, 0 to 1. Larger finds fewer and surer ones.
MIN_RIDGE = 0.4

# Share of it on which wood must be seen. Larger finds fewer.
MIN_SUPPORT_FRAC = 0.5

# How many times blurrier than the limb its sides may be; more is wood behind the limb. Larger lets
# more through. On path-traced photos the shoots whose fruit hung on the limb had 0.5 to 1.3, those
# in the background 1.4 to 3.5 (or as little as 1 close behind).
MAX_BLUR_RATIO = 1.35

# Its thickness over the limb's; what is thicker bears the limb or is another one. Larger lets more
# through.
MAX_WIDTH_RATIO = 1.1

# As for the limb: how much a path's cost takes from its length.
LOSS = 1.35


@dataclass(frozen=True, eq=False)
class _Limb(Scene):
    line_px: FloatArray
    half_px: float

    @property
    def reach_px(self) -> float:
        """How far a shoot's middle may lie from its searched path."""
        return 0.015 * float(max(self.photo.rgb.shape[:2]))

    def blur_px(self, line_px: FloatArray) -> float:
        """Edge width, px, of wood about as thick as a shoot or the limb."""
        return edge_width_px(self.photo, line_px, self.half_px)

    @cached_property
    def limb_px(self) -> FloatArray:
        """Distance of each fruit from the limb's line."""
        return nearest_on_line(self.line_px, self.fruitlets.x_px, self.fruitlets.y_px)[1]

    @cached_property
    def most_blur_px(self) -> float:
        """Edge width from which wood is behind the limb."""
        return MAX_BLUR_RATIO * self.blur_px(self.line_px)


def find_shoots(
    scene: Scene, field: Field, *, line_px: FloatArray, half_px: float
) -> tuple[Shoot, ...]:
    """Find side shoots that carry fruit.

    Parameters
    ----------
    scene : Scene
    field : Field
        Woody ridges of the photo.
    line_px : array, shape (N, 2)
        The limb from base to tip.
    half_px : float, px
        The limb's usual half width; NaN where not told.

    Returns
    -------
    tuple of Shoot
        From the base to the tip by fork; empty when there is none or no fruit is marked.
    """
    if len(scene.fruitlets) == 0 or len(line_px) < 2:
        return ()
    limb = _Limb(**vars(scene), line_px=line_px, half_px=half_px)
    length = MIN_LENGTH_FRAC * max(field.ridge.shape)
    paths = [field.to_px(cells) for cells in _paths(field, line_px, length)]
    taken = np.zeros(len(scene.fruitlets), bool)
    found: list[Shoot] = []
    for rough_px in paths:
        # The cheapest questions first: most paths come near no fruit.
        if not (_may_carry(limb, rough_px) & ~taken).any():
            continue
        line, half_px = _line_along(limb, rough_px)
        carried = _carries(limb, line) & ~taken
        if not carried.any():
            continue
        shoot = _shoot(limb, line, half_px)
        if shoot is not None:
            taken |= carried
            found.append(shoot)
    return tuple(sorted(found, key=lambda s: s.fork_along_px))


def _paths(field: Field, line_px: FloatArray, length: float) -> list[FloatArray]:
    """Best paths that leave the limb, in field cells from fork to tip."""
    cost = cost_of(field)
    starts = _line_cells(field, line_px)
    walk = MCP_Geometric(cost, fully_connected=True)
    total, _ = walk.find_costs(starts)
    away = _away_from(cost.shape, np.array(starts))
    merit = away - LOSS * total
    merit[away < length] = -np.inf
    used = np.zeros(cost.shape, bool)
    out: list[FloatArray] = []
    for _ in range(3 * MAX_SHOOTS):
        tip = np.unravel_index(int(np.argmax(merit)), cost.shape)
        if not merit[tip] > 0.1 * length or len(out) == MAX_SHOOTS:
            break
        path = np.asarray(walk.traceback(tip), np.int64)
        _strike_near(merit, path[len(path) // 4 :], length)  # ends there are the same shoot again
        again = float(used[path[:, 0], path[:, 1]].mean()) > 0.4
        if not again and float(field.ridge[path[:, 0], path[:, 1]].mean()) >= MIN_RIDGE:
            out.append(path[:, ::-1].astype(np.float64))
            for row, column in path[::2]:
                used[max(0, row - 2) : row + 3, max(0, column - 2) : column + 3] = True
    return out


def _away_from(shape: tuple[int, ...], cells: IntArray) -> FloatArray:
    """Distance of each cell from the nearest of the given (row, column) cells."""
    off = np.ones(shape[:2], np.uint8)
    off[cells[:, 0], cells[:, 1]] = 0
    return np.asarray(cv2.distanceTransform(off, cv2.DIST_L2, 5), np.float64)


def _strike_near(merit: FloatArray, cells: IntArray, length: float) -> None:
    """Set the merit to -inf nearer than ``length`` to any of the (row, column) cells."""
    room = math.ceil(length) + 1
    top, left = np.maximum(cells.min(axis=0) - room, 0)
    bottom, right = cells.max(axis=0) + room + 1
    near = merit[top:bottom, left:right]
    near[_away_from(near.shape, cells - (top, left)) < length] = -np.inf


def _line_cells(field: Field, line_px: FloatArray) -> list[tuple[int, int]]:
    cells = field.to_cells(line_px)
    dense = point_on_line(cells, np.arange(0, along_line(cells)[-1], 0.7))
    low = np.zeros(2)
    high = np.array(field.ridge.shape[::-1]) - 1
    whole = np.unique(np.clip(np.rint(dense), low, high).astype(np.int64), axis=0)
    return [(int(y), int(x)) for x, y in whole]


def _line_along(limb: _Limb, rough_px: FloatArray) -> tuple[FloatArray, float]:
    """The rough path centred on wood, and its half width; no points without enough wood."""
    band = centred(limb, rough_px, limb.reach_px)
    if float(np.mean(band.support > 0.25)) < MIN_SUPPORT_FRAC:
        return np.empty((0, 2)), band.half_px
    line = resampled(band.line_px, 30)
    line[0] = rough_px[0]
    return line, band.half_px


def _shoot(limb: _Limb, line: FloatArray, half_px: float) -> Shoot | None:
    """The shoot along a line; None where that is too thick, behind the limb or over the card."""
    # A line over the card or its white edge follows what holds the card.
    if on_card(limb.scale, *line.T, grow=1.4).any():
        return None
    width = measure_width(limb, line, half_px)
    known = width[: len(width) // 2]
    known = known[np.isfinite(known)]
    base_px = float(np.median(known)) if len(known) >= 3 else float("nan")
    if base_px > 2 * limb.half_px * MAX_WIDTH_RATIO:
        return None
    if limb.blur_px(line) > limb.most_blur_px:
        return None
    mm = limb.scale.mm_per_px if limb.scale.known else float("nan")
    fork, _ = nearest_on_line(limb.line_px, line[:1, 0], line[:1, 1])
    return Shoot(line_px=line, fork_along_px=float(fork[0]), base_diameter_mm=base_px * mm)


def _may_carry(limb: _Limb, rough_px: FloatArray) -> BoolArray:
    """Fruit that could hang on this path once it is centred: as ``_carries``, with room to move."""
    room = 2 * limb.reach_px
    _, here = nearest_on_line(rough_px, limb.fruitlets.x_px, limb.fruitlets.y_px)
    r = limb.fruitlets.r_px
    may: BoolArray = (here < limb.limb_px - 2 * r + room) & (here < 4 * r + room)
    return may


def _carries(limb: _Limb, line: FloatArray) -> BoolArray:
    """Fruit that hang on this line rather than on the limb."""
    marks = limb.fruitlets
    x, y, r = marks.x_px, marks.y_px, marks.r_px
    along, here = nearest_on_line(line, x, y)
    # Nearer by a diameter, within two diameters, and not at the very fork.
    carried: BoolArray = (here < limb.limb_px - 2 * r) & (here < 4 * r) & (along > r)
    return carried & np.isfinite(x) & np.isfinite(r)


def edge_width_px(photo: Photo, line_px: FloatArray, half_px: float) -> float:
    """Width of the steepest change of light across a line: larger is more blurred.

    Parameters
    ----------
    photo : Photo
    line_px : array, shape (N, 2)
    half_px : float, px
        Half width of the wood (NaN: 4); three times that is looked at on both sides.

    Returns
    -------
    float, px
        Median over the line of the range of light across it by its steepest slope; NaN where
        nothing of it lies in the photo.
    """
    line = resampled(line_px, 40)
    reach = 3 * max(float(np.nan_to_num(half_px, nan=4.0)), 1.0)
    offset = np.arange(-reach, reach + 1)
    grid = places_across(line, offset)
    red, green, blue = np.moveaxis(sample_grid(photo.rgb, grid[..., 0], grid[..., 1]), 2, 0)
    light = (red + green + blue) / 3
    slope = np.abs(light[:, 2:] - light[:, :-2]) / 2
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # stations outside the photo: all NaN
        # The plain percentile is ten times as quick as the one that looks for NaN.
        percentile = np.nanpercentile if np.isnan(light).any() else np.percentile
        low, high = percentile(light, [5, 95], axis=1)
        steepest = np.nanmax(slope, axis=1)
        return float(np.nanmedian((high - low) / np.maximum(steepest, 1.0)))
