"""Composites: sprites pasted onto crops, with the labels brought up to date."""

from __future__ import annotations

from dataclasses import replace

import torch
from torch.nn import functional

from fruitcount.training.sprites import (
    FILL,
    SPRITE_PX,
    Bank,
    drawn_fruit,
    leaf_sprites,
)
from fruitcount.training.warp import Batch

__all__ = ["paste_random"]

RADIUS_PX = 16.0
"""Middle radius of what is pasted: about that of the fruit crops are aimed at."""

Sprite = tuple[torch.Tensor, torch.Tensor]


def paste_random(batch: Batch, bank: Bank, rounds: int = 3, *, busy: float = 0.55) -> Batch:
    """Paste look-alikes, leaves and fruit in turn, onto random crops of the batch.

    Parameters
    ----------
    batch : Batch
    bank : Bank
    rounds : int
        Fruit and look-alikes each pasted up to so many times a crop.
    busy : float
        Share of the crops that are pasted on, 0-1.
    """
    n = len(batch.rgb)
    use = torch.rand(n, device=batch.rgb.device) < busy
    for _ in range(rounds):
        batch = _paste(batch, _look_alike(bank, n), use, kind="other")
        batch = _paste(batch, _fruit(bank, n), use, kind="fruit")
        batch = _paste(batch, leaf_sprites(bank, n), use, kind="leaf")
    return batch


def _fruit(bank: Bank, count: int) -> Sprite:
    device = bank.fruit.device
    rgb, alpha = drawn_fruit(count, device)
    if len(bank.fruit):
        index = torch.randint(len(bank.fruit), (count,), device=device)
        cut = bank.fruit[index].float() / 255
        use = (torch.rand((count, 1, 1, 1), device=device) < 0.55).float()
        rgb = rgb + (cut[:, :3] - rgb) * use
        alpha = alpha + (cut[:, 3:] - alpha) * use
    return rgb, alpha * _half_hidden(count, device)


def _look_alike(bank: Bank, count: int) -> Sprite:
    device = bank.other.device
    index = torch.randint(len(bank.other), (count,), device=device)
    cut = bank.other[index].float() / 255
    return cut[:, :3], cut[:, 3:] * _half_hidden(count, device)


def _half_hidden(count: int, device: torch.device) -> torch.Tensor:
    """A straight edge that hides up to 45 % of some sprites, as a leaf in front would."""
    line = (torch.arange(SPRITE_PX, device=device) + 0.5) / SPRITE_PX * 2 - 1
    y, x = torch.meshgrid(line / FILL, line / FILL, indexing="ij")
    turn = torch.rand((count, 1, 1), device=device) * 2 * torch.pi
    reach = torch.rand((count, 1, 1), device=device) * 0.95 + 0.1
    far = 3.0 * (torch.rand((count, 1, 1), device=device) > 0.35)
    across = x * torch.cos(turn) + y * torch.sin(turn)
    return torch.sigmoid((reach + far - across) * 30)[:, None]


def _paste(batch: Batch, sprite: Sprite, busy: torch.Tensor, kind: str) -> Batch:
    n, device, size = len(batch.rgb), batch.rgb.device, batch.rgb.shape[-1]
    centre = torch.rand((n, 2), device=device) * size
    radius = RADIUS_PX * torch.exp(0.5 * torch.randn(n, device=device)).clamp(0.4, 3.0)
    if kind == "leaf":
        radius = radius * (1.5 + 2.5 * torch.rand(n, device=device))
        centre = torch.where(
            torch.rand((n, 1), device=device) < 0.5, _beside_fruit(batch, radius), centre
        )
    use = busy & (torch.rand(n, device=device) < 0.6)
    if kind != "leaf":
        gap = (batch.fruit[..., :2] - centre[:, None]).norm(dim=-1)
        room = radius[:, None] * 0.9 + batch.fruit[..., 2] * 0.9
        use = use & ((gap > room) | (batch.fruit[..., 2] == 0)).all(1)
    colour, alpha = _placed(sprite, centre, radius, size)
    alpha = alpha * use[:, None, None, None]
    colour = _lit_as_there(colour, alpha, batch.rgb)
    rgb = batch.rgb + (colour - batch.rgb) * alpha
    fruit = _hidden(batch.fruit, alpha)
    if kind == "fruit":
        fruit = _added(fruit, centre, radius, use)
    return replace(batch, rgb=rgb, wood=batch.wood * (1 - alpha), fruit=fruit)


def _beside_fruit(batch: Batch, radius: torch.Tensor) -> torch.Tensor:
    first = batch.fruit[:, torch.randint(4, (1,)).item() % batch.fruit.shape[1]]
    shift = torch.randn((len(radius), 2), device=radius.device) * radius[:, None] * 0.6
    return first[:, :2] + shift


def _placed(
    sprite: Sprite, centre: torch.Tensor, radius: torch.Tensor, size: int
) -> tuple[torch.Tensor, torch.Tensor]:
    turn = torch.rand(len(radius), device=radius.device) * 2 * torch.pi
    cos, sin = torch.cos(turn), torch.sin(turn)
    grow = (size / 2) * FILL / radius
    shift = (centre + 0.5 - size / 2) / (size / 2)
    matrix = torch.stack([torch.stack([cos, -sin], -1), torch.stack([sin, cos], -1)], 1)
    matrix = matrix * grow[:, None, None]
    move = -(matrix @ shift[..., None])
    both = torch.cat(sprite, 1)
    grid = functional.affine_grid(torch.cat([matrix, move], 2), [len(radius), 1, size, size], False)
    edge = functional.grid_sample(both, grid, align_corners=False, padding_mode="border")
    inside = (grid.abs() <= 1).all(-1)[:, None]
    return edge[:, :3], edge[:, 3:] * inside


def _lit_as_there(colour: torch.Tensor, alpha: torch.Tensor, rgb: torch.Tensor) -> torch.Tensor:
    """Scale the sprite's brightness towards that of the place it is pasted on."""
    area = alpha.sum((1, 2, 3), keepdim=True).clamp(min=1.0)
    mine = (colour.mean(1, keepdim=True) * alpha).sum((1, 2, 3), keepdim=True) / area
    there = (rgb.mean(1, keepdim=True) * alpha).sum((1, 2, 3), keepdim=True) / area
    share = torch.rand_like(area) * 0.9
    jitter = torch.exp(0.25 * torch.randn_like(area))
    gain = ((there + 0.05) / (mine + 0.05)) ** share * jitter
    return (colour * gain.clamp(0.3, 3.0)).clamp(0, 1)


def _hidden(fruit: torch.Tensor, alpha: torch.Tensor) -> torch.Tensor:
    """Lower the visible share of fruit that the sprite covers; drop those quite covered."""
    size = alpha.shape[-1]
    ring = torch.linspace(0, 2 * torch.pi, 9, device=fruit.device)[:8]
    unit = torch.stack([torch.cos(ring), torch.sin(ring)], -1)
    probe = torch.cat([torch.zeros_like(unit[:1]), unit * 0.5, unit * 0.85])
    places = fruit[:, :, None, :2] + probe * fruit[:, :, None, 2:3]
    cover = functional.grid_sample(alpha, (places + 0.5) / size * 2 - 1, align_corners=False)
    covered = cover[:, 0].mean(-1)
    seen = torch.where(torch.isnan(fruit[..., 3]), torch.ones_like(covered), fruit[..., 3])
    left = seen * (1 - covered)
    out = fruit.clone()
    # a little cover does not make an unknown share known
    changed = (covered > 0.1) & (seen > 0)
    out[..., 3] = torch.where(changed, left, fruit[..., 3])
    out[..., 2] = torch.where((left < 0.1) & (seen > 0), torch.zeros_like(left), fruit[..., 2])
    return out


def _added(
    fruit: torch.Tensor, centre: torch.Tensor, radius: torch.Tensor, use: torch.Tensor
) -> torch.Tensor:
    unknown = torch.full_like(radius, float("nan"))
    row = torch.stack([centre[:, 0], centre[:, 1], radius * use, unknown, unknown], -1)
    return torch.cat([fruit, row[:, None]], 1)
