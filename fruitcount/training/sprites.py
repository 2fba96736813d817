"""Small pictures to paste: fruit, look-alikes that are not fruit, and leaves.

Fruit is either drawn (a shaded, fuzzy, slightly pointed ball) or cut as a disc from the
training pictures; discs cut where no fruit is are pasted as look-alikes with the same soft
edge, so that the edge itself says nothing. Leaves are long lenses filled with foliage.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch.nn import functional

from fruitcount.training.warp import Pool

SPRITE_PX = 64
"""Side of a sprite; a fruit's radius is :data:`FILL` of the half side."""

FILL = 0.8


@dataclass(frozen=True, eq=False)
class Bank:
    """Discs cut once from the pools: uint8 tensors, shape (N, 4, 64, 64): RGB and alpha."""

    fruit: torch.Tensor
    other: torch.Tensor


def make_bank(pools: list[Pool], most: int = 6000) -> Bank:
    """Cut fruit at least 10 px in radius and not hidden, and as many places without fruit."""
    fruit, other = [], []
    for pool in pools:
        rows = pool.fruit
        # a known visible share must be high; unknown (NaN) passes
        good = (rows[..., 2] >= 10) & ~(rows[..., 3] < 0.85)
        which, k = torch.nonzero(good, as_tuple=True)
        pick = torch.randperm(len(which), device=which.device)[:most]
        which, k = which[pick], k[pick]
        chosen = rows[which, k]
        fruit.append(_cut(pool, which, chosen[:, :2], chosen[:, 2]))
        spot = torch.rand((len(which), 2), device=which.device) * pool.sizes[which].flip(1)
        gap = (rows[which, :, :2] - spot[:, None]).norm(dim=-1) - rows[which, :, 2]
        free = ((gap > chosen[:, 2:3]) | (rows[which, :, 2] == 0)).all(1)
        other.append(_cut(pool, which[free], spot[free], chosen[free, 2]))
    return Bank(torch.cat(fruit), torch.cat(other))


def _cut(
    pool: Pool, which: torch.Tensor, centre: torch.Tensor, radius: torch.Tensor
) -> torch.Tensor:
    canvas = torch.tensor(
        [pool.pixels.shape[3], pool.pixels.shape[2]], device=centre.device, dtype=torch.float32
    )
    line = _line(centre.device)
    unit = torch.stack(torch.meshgrid(line, line, indexing="xy"), -1) / FILL
    out = []
    for i in range(0, len(which), 64):
        some = slice(i, i + 64)
        places = centre[some, None, None] + unit * radius[some, None, None, None]
        grid = (places + 0.5) / canvas * 2 - 1
        pixels = pool.pixels[which[some]][:, [0, 1, 2, 5]].float()
        cut = functional.grid_sample(pixels, grid, align_corners=False, padding_mode="border")
        disc = soft_disc(len(cut), cut.device)
        outline = soft_disc(len(cut), cut.device, 1.2) * cut[:, 3:]
        told = outline.amax((1, 2, 3), keepdim=True) > 0
        alpha = torch.where(told, outline, disc * 255)
        out.append(torch.cat([cut[:, :3], alpha], 1).round().to(torch.uint8))
    empty = torch.zeros((0, 4, SPRITE_PX, SPRITE_PX), dtype=torch.uint8, device=centre.device)
    return torch.cat([empty, *out])


def _line(device: torch.device) -> torch.Tensor:
    return (torch.arange(SPRITE_PX, device=device) + 0.5) / SPRITE_PX * 2 - 1


def _plane(device: torch.device) -> tuple[torch.Tensor, torch.Tensor]:
    line = _line(device)
    y, x = torch.meshgrid(line, line, indexing="ij")
    return x[None] / FILL, y[None] / FILL


def soft_disc(count: int, device: torch.device, reach: float = 0.93) -> torch.Tensor:
    """Alpha of a disc of ``reach`` radii with an edge of random softness."""
    x, y = _plane(device)
    edge = 0.03 + 0.1 * torch.rand((count, 1, 1), device=device)
    return torch.sigmoid((reach - torch.hypot(x, y)) / edge * 2)[:, None]


def drawn_fruit(count: int, device: torch.device) -> tuple[torch.Tensor, torch.Tensor]:
    """Balls with a random shape, light, colour, fuzz, groove and specks.

    Returns
    -------
    rgb : float tensor, shape (count, 3, 64, 64)
    alpha : float tensor, shape (count, 1, 64, 64)
    """

    def rand(low: float, high: float) -> torch.Tensor:
        return low + (high - low) * torch.rand((count, 1, 1), device=device)

    x, y = _plane(device)
    x, y = x / rand(0.84, 1.0), y * rand(0.92, 1.0)
    x = x * (1 + rand(-0.1, 0.28) * (y + 0.3).clamp(min=0) ** 2)  # the pointed end
    power = rand(2.0, 2.8)  # from a ball to a barrel
    rho = (x.abs() ** power + y.abs() ** power) ** (1 / power)
    z = (1 - rho**2).clamp(min=0).sqrt()
    turn, tilt = rand(0, 2 * math.pi), rand(0.1, 1.3)
    lit = z * torch.cos(tilt) + (x * torch.cos(turn) + y * torch.sin(turn)) * torch.sin(tilt)
    wrap = rand(0.1, 0.7)
    shade = ((lit + wrap) / (1 + wrap)).clamp(min=0)
    ambient = rand(0.25, 0.9)
    light = ambient + (1.1 - ambient) * shade
    light = light + rand(0, 0.35) * (1 - z) ** 3 * shade  # fuzz shines at the rim
    light = light + rand(0, 0.6) * torch.exp(rand(8, 40) * (lit - 1)) * (rand(0, 1) < 0.4)
    light = light * (1 - rand(0, 0.3) * torch.exp(-((x - 0.25) ** 2) / 0.006))  # the groove
    specks = functional.interpolate(torch.randn((count, 1, 16, 16), device=device), SPRITE_PX)[:, 0]
    light = light * (1 + rand(0, 0.06) * specks)
    rgb = _skin(count, device) * light[:, None]
    blush = torch.sigmoid((lit - rand(0.2, 1.2)) * 6) * rand(0, 0.6) * (rand(0, 1) < 0.3)
    red = torch.tensor([1.25, 0.62, 0.6], device=device)[None, :, None, None]
    rgb = rgb * (1 + (red - 1) * blush[:, None])
    edge = rand(0.02, 0.09)
    return rgb.clamp(0, 1), torch.sigmoid((1 - rho) / edge * 2)[:, None]


def _skin(count: int, device: torch.device) -> torch.Tensor:
    """Base colours from deep green through pale fuzz green to straw, linear mixes of three."""
    corners = torch.tensor(
        [[0.30, 0.45, 0.14], [0.66, 0.74, 0.46], [0.72, 0.68, 0.34]], device=device
    )
    concentration = torch.tensor([1.2, 1.2, 0.9], device=device)
    mix = torch.distributions.Dirichlet(concentration, validate_args=False).sample((count,))
    colour = mix @ corners * (0.45 + 0.8 * torch.rand((count, 1), device=device))
    colour = colour * torch.exp(0.06 * torch.randn((count, 3), device=device))
    return colour[:, :, None, None]


def leaf_sprites(bank: Bank, count: int) -> tuple[torch.Tensor, torch.Tensor]:
    """Long lenses with a midrib, filled with foliage cut from the pictures."""
    device = bank.other.device
    x, y = _plane(device)
    along = 0.28 + 0.3 * torch.rand((count, 1, 1), device=device)
    bend = 0.4 * (torch.rand((count, 1, 1), device=device) - 0.5)
    across = (x - bend * y**2) / along
    outline = (1 - (y / 1.2) ** 2).clamp(min=0) - across.abs()
    alpha = torch.sigmoid(outline * 14)[:, None]
    index = torch.randint(len(bank.other), (count,), device=device)
    rgb = bank.other[index, :3].float() / 255
    tone = rgb.mean((2, 3), keepdim=True)
    ribbed = tone + (rgb - tone) * 0.6
    rib = torch.exp(-((across / 0.06) ** 2)) * 0.35 * torch.rand((count, 1, 1), device=device)
    side = 1 + 0.2 * torch.sign(across) * torch.rand((count, 1, 1), device=device)
    return ((ribbed * side[:, None]) * (1 + rib[:, None])).clamp(0, 1), alpha
