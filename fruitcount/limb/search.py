"""Where the limb that the user means runs: the best of the least-cost paths between likely ends.

The limb net's maps tell this limb's line apart from other wood, its base, its tip, where it leaves
the photo, and how thick it is. It looks at the whole photo, so it knows which wood is the limb.
Without the net, woody ridges are searched.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit
from skimage.graph import MCP_Geometric

from fruitcount.image.opencv import cv2, size_at
from fruitcount.image.quality import inside
from fruitcount.lines import nearest_on_line
from fruitcount.types import F32, BoolArray, FloatArray, IntArray, Pixels
from fruitcount.whole_photo import HALF_UNIT_PX, whole_photo

# Cells of a line map's long side.
GRID = 160


@dataclass(frozen=True, eq=False)
class LineMap:
    """Chances on a coarse grid over the whole photo, all of shape (h, w).

    Attributes
    ----------
    line : float32 array
        0 to 1: on the limb that is meant.
    base, tip, frame : float32 arrays
        0 to 1: its base, its tip, the place where it leaves the photo.
    half_px : float32 array
        Half thickness in photo pixels of a limb there; NaN if not known.
    px_per_cell : float
        As in :class:`fruitcount.types.Maps`.
    """

    line: F32
    base: F32
    tip: F32
    frame: F32
    half_px: F32
    px_per_cell: float

    def within(self, outline_px: FloatArray) -> LineMap:
        """The same map with nothing outside a sheet's outline."""
        rows, columns = np.indices(self.line.shape)
        at = self.to_px(np.stack([columns, rows], axis=-1).astype(np.float64))
        there = inside(outline_px, at[..., 0], at[..., 1]).astype(np.float32)
        kept = {name: getattr(self, name) * there for name in ("line", "base", "tip", "frame")}
        return replace(self, **kept)

    def to_px(self, cells: FloatArray) -> FloatArray:
        """Map x, y to photo x, y."""
        return np.asarray((cells + 0.5) * self.px_per_cell - 0.5, np.float64)


def line_map(rgb: Pixels) -> LineMap | None:
    """All sizes of :func:`whole_photo` on one grid; None, or an error, as there.

    The photo has shape (rows, columns, 3).
    """
    whole = whole_photo(rgb)
    if whole is None:
        return None
    grid = size_at(rgb, GRID / max(rgb.shape[:2]))
    told = np.mean([_on_grid(channels, grid) for channels in whole.limb], axis=0)
    line, base, tip, frame = (np.asarray(expit(c), np.float32) for c in told[:4])
    half_px = np.asarray(HALF_UNIT_PX * np.exp(told[4]), np.float32)
    return LineMap(line, base, tip, frame, half_px, px_per_cell=rgb.shape[1] / grid[0])


def ridge_map(ridge: F32, px_per_cell: float) -> LineMap:
    """A line map from woody ridges, shape (h, w): no ends, no thickness, any limb as good."""
    blank = np.zeros_like(ridge)
    unknown = np.full_like(ridge, np.nan)
    return LineMap(ridge, blank, blank, blank, unknown, px_per_cell)


def _on_grid(channels: F32, grid: tuple[int, int]) -> F32:
    how = cv2.INTER_AREA if channels.shape[2] > grid[0] else cv2.INTER_LINEAR
    return np.stack([cv2.resize(channel, grid, interpolation=how) for channel in channels])


Cell = tuple[int, int]

# Likeliest places looked at for base, tip and frame each.
ENDS_EACH = 4

LEAST_END, LEAST_LINE, LEAST_FRAME = 0.04, 0.35, 0.3

# Chance of limb that a cell of a route needs to pay for itself. Larger ends routes sooner.
EVEN = 0.3

# What a sure end is worth, in cells of sure limb.
END_WORTH = 10.0

# Cost of a cell of sure limb: keeps routes short where the map is sure of a broad stretch.
FLOOR = 0.02

# How near the edge, as a share of the long side, a limb that leaves the photo must end.
EDGE_FRAC = 0.06

# A route is another one where less than half of it lies within so many cells of the best.
BESIDE = 6


@dataclass(frozen=True, eq=False)
class Found:
    """The best route.

    Attributes
    ----------
    line_px : array, shape (N, 2)
        Photo x, y from base to tip.
    base_odds : float
        Log-odds that the first end is the base rather than the tip; 0 if nothing tells.
    leaves_frame : tuple of bool
        Whether the limb goes on beyond the photo at its first and at its last end.
    right_chance : float
        Chance that this is the limb the user means; NaN where nothing tells.
    by_ridge : bool
        Whether woody ridges were searched, which tell neither ends nor thickness.
    """

    line_px: FloatArray
    base_odds: float
    leaves_frame: tuple[bool, bool]
    right_chance: float
    by_ridge: bool


def search_line(maps: LineMap) -> Found | None:
    """The route that gathers most limb between two likely ends; None on an empty map.

    Parameters
    ----------
    maps : LineMap
    """
    path = _best_route(maps)
    if path is None:
        return None
    beside = _near(path, maps.line.shape)
    odds = _base_odds(maps, path)
    if odds < 0:
        path, odds = path[::-1], -odds
    elsewhere = float(maps.line[~beside].sum()) / max(float(maps.line.sum()), 1e-9)
    by_ridge = not bool(np.isfinite(maps.half_px).any())
    return Found(
        line_px=maps.to_px(path[:, ::-1].astype(np.float64)),
        base_odds=odds,
        leaves_frame=(_goes_on(maps, path[0]), _goes_on(maps, path[-1])),
        right_chance=float("nan") if by_ridge else _right_chance(elsewhere),
        by_ridge=by_ridge,
    )


def search_before(maps: LineMap, outline_px: FloatArray) -> Found | None:
    """The route of :func:`search_line`, or that of another limb, which lies before a sheet.

    The same limb is taken whole: it may be longer than the sheet is wide.

    Parameters
    ----------
    maps : LineMap
    outline_px : float array, shape (K, 2)
        Of the sheet, photo x, y; shape (0, 2) without one.
    """
    found = search_line(maps)
    before = search_line(maps.within(outline_px)) if len(outline_px) else None
    if found is None or before is None:
        return before or found
    _, off_px = nearest_on_line(found.line_px, *before.line_px.T)
    same = np.mean(np.abs(off_px) < BESIDE * maps.px_per_cell) > 0.5
    return found if same else before


def _goes_on(maps: LineMap, cell: IntArray) -> bool:
    """Whether near the photo's edge the map of leaving it is clearly the surest."""
    at = (int(cell[0]), int(cell[1]))
    away = min(*at, maps.line.shape[0] - 1 - at[0], maps.line.shape[1] - 1 - at[1])
    other = 1.5 * max(maps.base[at], maps.tip[at])
    near_edge = away < EDGE_FRAC * max(maps.line.shape)
    return bool(near_edge and maps.frame[at] > max(other, LEAST_FRAME))


def _right_chance(elsewhere_frac: float) -> float:
    """Chance that the route is the limb that is meant, from how much limb lies off it.

    Logistic regression on 83 renders that no net was taught on (9 wrong). On 62 other pictures
    (55 renders, 7 photographs; 7 wrong), of 50 told 0.92 sure 0.94 were right, of 8 told 0.83 0.88,
    of 4 told 0.26 0.25. The runner-up's merit and the chance along the route added nothing.
    """
    return float(expit(2.47 - 7.66 * elsewhere_frac))


def _best_route(maps: LineMap) -> IntArray | None:
    """Cells (row, column) of the route of most merit between likely ends; None without one."""
    line = maps.line
    walk = MCP_Geometric(((1 - line) ** 2 + FLOOR).astype(np.float64), fully_connected=True)
    ends = _likely_ends(maps)
    places = list(ends)
    best, most = None, 0.0
    for k, start in enumerate(places[:-1]):
        walk.find_costs([start])
        for finish in places[k + 1 :]:
            path = np.asarray(walk.traceback(finish), np.int64)
            if len(path) < 8:
                continue
            step = np.hypot(*np.diff(path, axis=0).T)
            gain = line[path[:, 0], path[:, 1]] - EVEN
            merit = float((gain[1:] + gain[:-1]) @ step) / 2
            merit += END_WORTH * (ends[start] + ends[finish])
            if merit > most:
                best, most = path, merit
    return best


def _likely_ends(maps: LineMap) -> dict[Cell, float]:
    """Peaks of the three maps of ends, and the far ends of the largest pieces of limb."""
    ends: dict[Cell, float] = {}
    for heat in (maps.base, maps.tip, maps.frame):
        top = cv2.dilate(heat, np.ones((9, 9), np.uint8))
        row, column = np.nonzero((heat >= top) & (heat >= LEAST_END))
        for k in np.argsort(-heat[row, column], kind="stable")[:ENDS_EACH]:
            at = (int(row[k]), int(column[k]))
            ends[at] = max(ends.get(at, 0.0), float(heat[at]))
    mask = (maps.line > LEAST_LINE).astype(np.uint8)
    count, label, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    for piece in sorted(range(1, count), key=lambda i: -stats[i, 4])[:3]:
        cells = np.argwhere(label == piece)
        off = (cells - cells.mean(axis=0)).astype(np.float64)
        along = off @ np.linalg.eigh(off.T @ off)[1][:, -1]
        for k in (int(along.argmin()), int(along.argmax())):
            ends.setdefault((int(cells[k, 0]), int(cells[k, 1])), LEAST_END)
    return ends


def _near(path: IntArray, shape: tuple[int, ...]) -> BoolArray:
    mask = np.zeros(shape, np.uint8)
    mask[path[:, 0], path[:, 1]] = 1
    return cv2.dilate(mask, np.ones((2 * BESIDE + 1, 2 * BESIDE + 1), np.uint8)) > 0


def _base_odds(maps: LineMap, path: IntArray) -> float:
    """Whether the first end is the base: by the maps of ends, and the thicker end is the base."""
    first, last = (tuple(path[k]) for k in (0, -1))
    told = [float(np.log((maps.base[at] + 0.02) / (maps.tip[at] + 0.02))) for at in (first, last)]
    half = np.log(maps.half_px[path[:, 0], path[:, 1]])
    quarter = max(3, len(path) // 4)
    taper = float(half[:quarter].mean() - half[-quarter:].mean())
    return told[0] - told[1] + 3 * (taper if np.isfinite(taper) else 0.0)
