"""What the net should say for a batch of crops, drawn on the training device."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch.nn import functional

from fruitcount.training.net import LOG_RADIUS_UNIT_PX
from fruitcount.training.warp import Batch

AT_ONCE = 8
"""Fruit drawn in one step: more is quicker and takes more memory."""

LEAST_VISIBLE = 0.4
"""Fruit showing less is neither taught nor punished."""

SMALLEST_RADIUS_PX, LARGEST_RADIUS_PX = 3.0, 60.0


@dataclass(frozen=True, eq=False)
class Targets:
    """Maps to be learned.

    Attributes
    ----------
    heat : float tensor, shape (B, 1, S / 2, S / 2)
        1 at centres, falling off as a Gaussian with the fruit's size.
    centre : float tensor, same shape
        1 in the cell of a centre, else 0.
    heat_weight : float tensor, same shape
        0 over ignored fruit and outside the picture.
    near : float tensor, shape (B, 1, S / 4, S / 4)
        How strongly a cell answers for the fruit it belongs to; 0 away from centres.
    values : float tensor, shape (B, 3, S / 4, S / 4)
        Log radius, yellowing, visible share of that fruit; the last two NaN if unknown.
    wood, wood_weight : float tensors, shape (B, 1, S / 4, S / 4)
    """

    heat: torch.Tensor
    centre: torch.Tensor
    heat_weight: torch.Tensor
    near: torch.Tensor
    values: torch.Tensor
    wood: torch.Tensor
    wood_weight: torch.Tensor


def make_targets(batch: Batch) -> Targets:
    """Draw the targets of a batch."""
    fruit, size = batch.fruit, batch.rgb.shape[-1]
    radius = fruit[..., 2]
    real = radius > 0
    hidden = fruit[..., 3] < LEAST_VISIBLE
    odd = (radius < SMALLEST_RADIUS_PX) | (radius > LARGEST_RADIUS_PX)
    taught = real & ~hidden & ~odd
    passed = real & ~taught
    half = _grid(size // 2, 2.0, fruit.device)
    # 0.28 r: at the default width (34 px) the bell is 4.8 px wide, some two cells
    heat, _ = _bells(fruit, taught, half, 0.28, 1.7)
    centre = _centres(fruit, taught, size // 2, 2.0)
    skip = _discs(fruit, passed, half)
    heat_weight = functional.avg_pool2d(batch.valid, 2) * (1 - skip * (heat < 0.5).float())
    quarter = _grid(size // 4, 4.0, fruit.device)
    near, owner = _bells(fruit, taught, quarter, 0.35, 3.0)
    near = near * (near > 0.3).float()
    values = torch.stack(
        [torch.log(radius.clamp(min=1.0) / LOG_RADIUS_UNIT_PX), fruit[..., 4], fruit[..., 3]], -1
    )
    flat = owner.flatten(1)[..., None].expand(-1, -1, 3)
    values = torch.gather(values, 1, flat).transpose(1, 2).reshape(-1, 3, size // 4, size // 4)
    wood = functional.avg_pool2d(batch.wood, 4)
    wood_weight = functional.avg_pool2d(batch.wood_known * batch.valid, 4)
    return Targets(heat, centre, heat_weight, near, values, wood, wood_weight)


def _grid(cells: int, pitch: float, device: torch.device) -> torch.Tensor:
    return (torch.arange(cells, device=device) + 0.5) * pitch - 0.5


def _bells(
    fruit: torch.Tensor, use: torch.Tensor, grid: torch.Tensor, share: float, least: float
) -> tuple[torch.Tensor, torch.Tensor]:
    """The strongest Gaussian at each cell, and whose it is."""
    sigma = (share * fruit[..., 2]).clamp(min=least)[..., None]
    column = torch.exp(-0.5 * ((grid - fruit[..., 0:1]) / sigma) ** 2) * use[..., None]
    row = torch.exp(-0.5 * ((grid - fruit[..., 1:2]) / sigma) ** 2)
    best = torch.zeros((len(fruit), len(grid), len(grid)), device=fruit.device)
    owner = torch.zeros(best.shape, dtype=torch.int64, device=fruit.device)
    for k in range(0, fruit.shape[1], AT_ONCE):
        some = slice(k, k + AT_ONCE)
        bell, whose = (row[:, some, :, None] * column[:, some, None, :]).max(1)
        owner = torch.where(bell > best, whose + k, owner)
        best = torch.maximum(best, bell)
    return best[:, None], owner[:, None]


def _centres(fruit: torch.Tensor, use: torch.Tensor, cells: int, pitch: float) -> torch.Tensor:
    """1 in the cell of each fruit's centre, else 0."""
    cell = torch.floor((fruit[..., :2] + 0.5) / pitch).long()
    inside = use & ((cell >= 0) & (cell < cells)).all(-1)
    flat = (cell[..., 1] * cells + cell[..., 0]).clamp(0, cells * cells - 1)
    out = torch.zeros((len(fruit), cells * cells), device=fruit.device)
    out.scatter_reduce_(1, flat, inside.float(), "amax")
    return out.reshape(-1, 1, cells, cells)


def _discs(fruit: torch.Tensor, use: torch.Tensor, grid: torch.Tensor) -> torch.Tensor:
    bells, _ = _bells(fruit, use, grid, 1.0, 2.0)
    return (bells > 0.6).float()  # exp(-1/2) = 0.607: one radius
