"""Crops joined from two: what stands on one side of a line comes from another picture.

A set of few photographs is soon known by heart, each fruit by the leaves around it. Beside a
neighbour from elsewhere it has to be known by itself.
"""

from __future__ import annotations

import torch

from fruitcount.training.warp import MAPS, Batch, joined, parted, taken

CUT_SHOWS = 0.2
"""Visible share told of a fruit that the line cuts: too little to be taught or punished."""


def spliced(batch: Batch, share: float) -> Batch:
    """Replace one side of a random line in some crops by that of another crop.

    Parameters
    ----------
    batch : Batch
    share : float
        Share of the crops that get another side, 0-1. Raising it breaks up more surroundings.

    Returns
    -------
    Batch
        The crops in another order.
    """
    n = round(share * len(batch.rgb))
    if n == 0:
        return batch
    device, size = batch.rgb.device, batch.rgb.shape[-1]
    mine, rest = parted(batch, n)
    other = taken(batch, torch.randint(len(batch.rgb), (n,), device=device))
    turn = torch.rand((n, 1), device=device) * 2 * torch.pi
    across = torch.cat([torch.cos(turn), torch.sin(turn)], 1)
    offset = (torch.rand((n, 1), device=device) - 0.5) * size * 0.5
    middle = (size - 1) / 2
    line = torch.arange(size, device=device) - middle
    over = across[:, :1, None] * line + across[:, 1:, None] * line[:, None] - offset[..., None]
    use = (over > 0)[:, None]
    maps = {name: torch.where(use, getattr(mine, name), getattr(other, name)) for name in MAPS}
    kept = [
        _beyond(
            part.fruit,
            side * (((part.fruit[..., :2] - middle) @ across[..., None])[..., 0] - offset),
        )
        for part, side in ((mine, 1.0), (other, -1.0))
    ]
    return joined([Batch(**maps, fruit=torch.cat(kept, 1)), rest])


def _beyond(fruit: torch.Tensor, inside: torch.Tensor) -> torch.Tensor:
    """Fruit by its distance inside its own side: whole, cut (to be passed over) or gone."""
    radius = fruit[..., 2]
    out = fruit.clone()
    out[..., 2] = torch.where(inside > -radius, radius, torch.zeros_like(radius))
    cut = (inside < 0.6 * radius) & ~(fruit[..., 3] < CUT_SHOWS)
    out[..., 3] = torch.where(cut, torch.full_like(radius, CUT_SHOWS), fruit[..., 3])
    return out
