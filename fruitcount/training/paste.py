"""Composites: sprites pasted onto crops, with the labels brought up to date."""

from __future__ import annotations

from dataclasses import replace

import torch
from torch.nn import functional

from fruitcount.training.quick import quick
from fruitcount.training.sprites import FILL, SPRITE_PX, Bank, drawn_fruit, leaf_sprites
from fruitcount.training.warp import Batch, joined, parted

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
    n = round(busy * len(batch.rgb))
    if n == 0:
        return batch
    some, rest = parted(batch, n)
    for _ in range(rounds):
        some = _paste(some, _look_alike(bank, n), kind="other")
        some = _paste(some, _fruit(bank, n), kind="fruit")
        some = _paste(some, leaf_sprites(bank, n), kind="leaf")
    return joined([some, rest])


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


def _paste(batch: Batch, sprite: Sprite, kind: str) -> Batch:
    n, device, size = len(batch.rgb), batch.rgb.device, batch.rgb.shape[-1]
    centre = torch.rand((n, 2), device=device) * size
    radius = RADIUS_PX * torch.exp(0.5 * torch.randn(n, device=device)).clamp(0.4, 3.0)
    if kind == "leaf":
        radius = radius * (1.5 + 2.5 * torch.rand(n, device=device))
        centre = torch.where(
            torch.rand((n, 1), device=device) < 0.5, _beside_fruit(batch, radius), centre
        )
    use = torch.rand(n, device=device) < 0.6
    if kind != "leaf":
        gap = (batch.fruit[..., :2] - centre[:, None]).norm(dim=-1)
        room = radius[:, None] * 0.9 + batch.fruit[..., 2] * 0.9
        use = use & ((gap > room) | (batch.fruit[..., 2] == 0)).all(1)
    rgb, alpha = laid_on(batch.rgb, torch.cat(sprite, 1), centre, radius * use)
    fruit = _hidden(batch.fruit, alpha)
    if kind == "fruit":
        fruit = _added(fruit, centre, radius, use)
    return replace(batch, rgb=rgb, wood=batch.wood * (1 - alpha), fruit=fruit)


def _beside_fruit(batch: Batch, radius: torch.Tensor) -> torch.Tensor:
    first = batch.fruit[:, torch.randint(4, (1,)).item() % batch.fruit.shape[1]]
    shift = torch.randn((len(radius), 2), device=radius.device) * radius[:, None] * 0.6
    return first[:, :2] + shift


@quick
def laid_on(
    rgb: torch.Tensor, sprite: torch.Tensor, centre: torch.Tensor, radius: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor]:
    """Lay a sprite on each crop, turned at random and lit towards the place it lies on.

    Parameters
    ----------
    rgb : float tensor, shape (B, 3, S, S)
    sprite : float tensor, shape (B, 4, :data:`SPRITE_PX`, :data:`SPRITE_PX`)
        RGB and alpha.
    centre : float tensor, shape (B, 2)
        x, y in crop pixels.
    radius : float tensor, shape (B,)
        In crop pixels; 0 leaves a crop as it is.

    Returns
    -------
    rgb : float tensor, shape (B, 3, S, S)
    alpha : float tensor, shape (B, 1, S, S)
    """
    x, y = _from(centre, rgb.shape[-1])
    turn = torch.rand(len(radius), device=radius.device) * 2 * torch.pi
    reach = radius.clamp(min=1.0) / FILL
    cos, sin = ((f(turn) / reach)[:, None, None] for f in (torch.cos, torch.sin))
    grid = torch.stack([cos * x - sin * y, sin * x + cos * y], -1)
    cut = functional.grid_sample(sprite, grid, align_corners=False, padding_mode="border")
    inside = (grid.abs() <= 1).all(-1) & (radius > 0)[:, None, None]
    alpha = cut[:, 3:] * inside[:, None]
    colour = _lit_as_there(cut[:, :3], alpha, rgb)
    return rgb + (colour - rgb) * alpha, alpha


def _from(centre: torch.Tensor, size: int) -> tuple[torch.Tensor, torch.Tensor]:
    """Steps in x and y from each centre to every pixel, shapes (B, 1, S) and (B, S, 1)."""
    line = torch.arange(size, device=centre.device)
    return (line - centre[:, :1])[:, None], (line - centre[:, 1:])[:, :, None]


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
