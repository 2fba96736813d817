"""Cheapest paths over a field of ridges, and the search for the limb's two ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from skimage.graph import MCP_Geometric

from fruitcount.limb.wood import Field
from fruitcount.types import FloatArray

__all__ = ["Route", "carried_on", "cost_of", "route_between", "route_from", "search_route"]

# Gain per cell of straight distance is 1, loss is this times the path's cost: 0.45 on a clear
# ridge, 1 off it. Set on 14 phone photos and 27 path-traced ones, where fewer right lines were
# found with a floor of 0.25 (paths wander) or a loss of 1.15 (paths run on over leaves).
_LOSS = 1.45
_LEAST_COST = 0.45
# Going straight on, the ends may cross weaker stretches.
_ONWARD_LOSS = 1.05
_ONWARD_LATERAL = 1.0
_HIDDEN_COST = 0.55
_ROOM = 12
_SEEDS = 4


@dataclass(frozen=True, eq=False)
class Route:
    """A path over the field.

    Attributes
    ----------
    cells : array, shape (N, 2)
        Field x, y from one end to the other.
    merit : float
        Straight distance minus weighted cost; higher is more limb-like.
    rival_frac : float
        Merit of the best path elsewhere in the picture as a share of this one's; 0 if none.
    """

    cells: FloatArray
    merit: float
    rival_frac: float = 0.0


def cost_of(field: Field) -> FloatArray:
    """Cost of crossing each cell, 0.45 on a strong ridge to 1 off it.

    The floor makes length cost something everywhere, so that paths run straight.
    """
    cost = _LEAST_COST + (1 - _LEAST_COST) * (1 - field.ridge.astype(np.float64)) ** 2
    cost[field.hidden] = np.minimum(cost[field.hidden], _HIDDEN_COST)
    return np.asarray(cost, np.float64)


def route_between(cost: FloatArray, start: FloatArray, end: FloatArray) -> Route:
    """Cheapest path between two field positions (x, y)."""
    begin, finish = _cell(cost, start), _cell(cost, end)
    walk = MCP_Geometric(cost, fully_connected=True)
    total, _ = walk.find_costs([begin], [finish])
    path = np.asarray(walk.traceback(finish), np.float64)
    straight = float(np.hypot(finish[0] - begin[0], finish[1] - begin[1]))
    return Route(path[:, ::-1], straight - _LOSS * float(total[finish]))


def route_from(cost: FloatArray, start: FloatArray) -> Route:
    """Path from a field position to the end that makes the most limb-like path."""
    return _Sweep(cost).route(start)


class _Sweep:
    """Cheapest paths over one cost field; setting it up once serves many starts."""

    def __init__(self, cost: FloatArray) -> None:
        self.cost = cost
        self.walk = MCP_Geometric(cost, fully_connected=True)
        self.rows, self.columns = np.ogrid[: cost.shape[0], : cost.shape[1]]

    def end(self, begin: tuple[int, int]) -> tuple[tuple[int, int], float]:
        """Row and column of the best end from there, and the merit of the path to it."""
        total, _ = self.walk.find_costs([begin])
        # np.sqrt of squares is four times as quick as np.hypot
        away = np.sqrt(np.square(self.rows - begin[0]) + np.square(self.columns - begin[1]))
        merit = away - _LOSS * total
        row, column = np.unravel_index(int(np.argmax(merit)), merit.shape)
        return (int(row), int(column)), float(merit[row, column])

    def route(self, start: FloatArray) -> Route:
        """Path from a field position to its best end."""
        finish, merit = self.end(_cell(self.cost, start))
        path = np.asarray(self.walk.traceback(finish), np.float64)
        return Route(path[:, ::-1], merit)


def search_route(field: Field) -> Route | None:
    """The most limb-like path of the field, from end to end; None on an empty field.

    From each of a few strong places the best far end is found, and from there the best other
    end: the double sweep that finds the longest path of a tree. The far end only has to be
    about right, so it is looked for on cells twice as wide, in a quarter of the time.
    """
    fine = _Sweep(cost_of(field))
    coarse = _Sweep(_coarser(fine.cost))
    found: list[Route] = []
    tried: list[FloatArray] = []
    for seed in _strong_places(field.ridge):
        row, column = _cell(fine.cost, seed)
        far = _cheapest_in(fine.cost, coarse.end((row // 2, column // 2))[0])
        if any(float(np.hypot(*(far - other))) < 6 for other in tried):
            continue  # that end has been swept from already
        tried.append(far)
        found.append(fine.route(far))
    if not found:
        return None
    found.sort(key=lambda route: -route.merit)
    best = found[0]
    apart = 0.06 * max(fine.cost.shape)
    others = [other.merit for other in found[1:] if _mean_gap(other, best) > apart]
    rival = max(others, default=0.0) / max(best.merit, 1e-9)
    return Route(best.cells, best.merit, rival)


def _coarser(cost: FloatArray) -> FloatArray:
    """Costs of cells twice as wide: midway between the mean and the least of four.

    The mean would lose a thin ridge, the least would close gaps: of 84 photos two got another path
    than by sweeps on the fine cells; with the mean alone three, with the least alone four.
    """
    rows, columns = cost.shape
    even = np.pad(cost, ((0, rows % 2), (0, columns % 2)), mode="edge")
    parts = np.stack([even[i::2, j::2] for i in (0, 1) for j in (0, 1)])
    return np.asarray(0.5 * (parts.mean(axis=0) + parts.min(axis=0)), np.float64)


def _cheapest_in(cost: FloatArray, coarse: tuple[int, int]) -> FloatArray:
    """Field x, y of the cheapest of the four cells in a cell twice as wide."""
    top, left = 2 * coarse[0], 2 * coarse[1]
    block = cost[top : top + 2, left : left + 2]
    row, column = np.unravel_index(int(np.argmin(block)), block.shape)
    return np.array([left + column, top + row], np.float64)


def _mean_gap(route: Route, other: Route) -> float:
    """Mean distance of one path's cells from the other path, in cells."""
    gaps = route.cells[::3, None, :] - other.cells[None, ::3, :]
    return float(np.hypot(gaps[..., 0], gaps[..., 1]).min(axis=1).mean())


def carried_on(field: Field, route: Route) -> Route:
    """The route with each end carried on, nearly straight, where weaker wood goes on."""
    cost = cost_of(field)
    cells = _onward(cost, route.cells)
    return Route(_onward(cost, cells[::-1])[::-1], route.merit, route.rival_frac)


def _onward(cost: FloatArray, cells: FloatArray) -> FloatArray:
    back = cells[-min(len(cells), max(4, len(cells) // 4))]
    ahead = cells[-1] - back
    length = float(np.hypot(*ahead))
    if length < 2:
        return cells
    ahead = ahead / length
    row, column = _cell(cost, cells[-1])
    rows, columns = _ahead_of(cost.shape, (row, column), ahead)
    top, left = rows.start, columns.start
    near = np.ascontiguousarray(cost[rows, columns])
    begin = (row - top, column - left)
    walk = MCP_Geometric(near, fully_connected=True)
    total, _ = walk.find_costs([begin])
    down, across = np.ogrid[: near.shape[0], : near.shape[1]]
    dx, dy = across - begin[1], down - begin[0]
    forward = dx * ahead[0] + dy * ahead[1]
    lateral = np.abs(dy * ahead[0] - dx * ahead[1])
    merit = forward - _ONWARD_LATERAL * lateral - _ONWARD_LOSS * total
    finish = np.unravel_index(int(np.argmax(merit)), near.shape)
    if merit[finish] < 2:
        return cells
    path = np.asarray(walk.traceback(finish), np.float64)[1:, ::-1] + (left, top)
    return np.vstack([cells, path])


def _ahead_of(
    shape: tuple[int, ...], at: tuple[int, int], ahead: FloatArray
) -> tuple[slice, slice]:
    """Rows and columns where a path that goes on can end, with room for it to wander.

    Half the picture ahead, and 26 degrees to either side: farther aside the lateral loss and the
    least cost of a path take more than it goes forward.
    """
    reach = max(shape) // 2
    turn = np.arctan2(ahead[1], ahead[0]) + np.deg2rad([-26.0, 0.0, 26.0])
    ends = reach * np.stack([np.sin(turn), np.cos(turn)]) / np.cos(np.deg2rad(26.0))
    low = np.maximum(np.floor(ends.min(axis=1, initial=0.0)).astype(int) + at - _ROOM, 0)
    high = np.ceil(ends.max(axis=1, initial=0.0)).astype(int) + at + _ROOM + 1
    return slice(int(low[0]), int(high[0])), slice(int(low[1]), int(high[1]))


def _strong_places(ridge: NDArray[np.float32]) -> list[FloatArray]:
    left = ridge.astype(np.float64).copy()
    apart = max(ridge.shape) / 6
    rows, columns = np.ogrid[: ridge.shape[0], : ridge.shape[1]]
    places: list[FloatArray] = []
    for _ in range(_SEEDS):
        row, column = np.unravel_index(int(np.argmax(left)), left.shape)
        if left[row, column] <= 0.05:
            break
        places.append(np.array([column, row], np.float64))
        left[np.hypot(rows - row, columns - column) < apart] = 0
    return places


def _cell(cost: FloatArray, at: FloatArray) -> tuple[int, int]:
    row = int(np.clip(round(float(at[1])), 0, cost.shape[0] - 1))
    column = int(np.clip(round(float(at[0])), 0, cost.shape[1] - 1))
    return row, column
