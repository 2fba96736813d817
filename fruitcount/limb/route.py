"""Least-cost paths over a field of woody ridges, from and between places that the user tapped."""

from __future__ import annotations

import numpy as np
from skimage.graph import MCP_Geometric

from fruitcount.limb.wood import Field
from fruitcount.types import FloatArray

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
