"""Random crops on the GPU: turn, zoom, flip and shift, with labels carried along."""

from __future__ import annotations

from dataclasses import dataclass, fields

import torch
from torch.nn import functional

from fruitcount.training.data import Example

MAPS = ("rgb", "wood", "wood_known", "valid")
"""The parts of a batch that are pictures; fruit is the rest."""

SHRUNK_BELOW = 0.85
"""Zoom below which a crop is sampled finer than it is."""


@dataclass(frozen=True, eq=False)
class Pool:
    """Pictures of one size class, kept on the training device.

    Attributes
    ----------
    pixels : uint8 tensor, shape (N, 7, H, W)
        RGB, wood, wood known, fruit outline, labels known (each 0 or 255); smaller pictures are
        padded.
    sizes : float tensor, shape (N, 2)
        True height and width.
    fruit : float tensor, shape (N, K, 5)
        As in :class:`Example`, padded with radius 0.
    weights : float tensor, shape (N,)
        How often each picture is drawn.
    groups : tuple of str
    """

    pixels: torch.Tensor
    sizes: torch.Tensor
    fruit: torch.Tensor
    weights: torch.Tensor
    groups: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Batch:
    """Crops and their labels.

    Attributes
    ----------
    rgb : float tensor, shape (B, 3, S, S)
    wood, wood_known, valid : float tensors, shape (B, 1, S, S)
        ``valid`` is 0 where the crop looks past the picture's edge (mirrored there) and where
        fruit may be unlabelled.
    fruit : float tensor, shape (B, K, 5)
        In crop pixels; radius 0 where empty.
    """

    rgb: torch.Tensor
    wood: torch.Tensor
    wood_known: torch.Tensor
    valid: torch.Tensor
    fruit: torch.Tensor


@dataclass(frozen=True)
class CropRules:
    """How crops are drawn.

    Attributes
    ----------
    size_px : int
        Side of a crop; a multiple of 32.
    fruit_px : float
        Middle width of the fruit that a crop is aimed at.
    spread : float
        Standard deviation of the logarithm of that width. Raising it trains for more sizes.
    zoom : tuple of float
        Limits of the zoom.
    """

    size_px: int = 512
    fruit_px: float = 34.0
    spread: float = 0.6
    zoom: tuple[float, float] = (0.3, 3.2)


def make_pool(examples: list[Example], weights: list[float], device: torch.device) -> Pool:
    """Stack pictures into one tensor on the device."""
    height = max(e.rgb.shape[0] for e in examples)
    width = max(e.rgb.shape[1] for e in examples)
    most = max(1, *(len(e.fruit) for e in examples))
    pixels = torch.zeros((len(examples), 7, height, width), dtype=torch.uint8, device=device)
    fruit = torch.zeros((len(examples), most, 5))
    for i, e in enumerate(examples):
        h, w = e.rgb.shape[:2]
        pixels[i, :3, :h, :w] = torch.from_numpy(e.rgb.copy()).permute(2, 0, 1).to(device)
        if e.wood is not None:
            pixels[i, 3, :h, :w] = torch.from_numpy(e.wood.copy()).to(device)
            pixels[i, 4, :h, :w] = 255
        if e.outline is not None:
            pixels[i, 5, :h, :w] = torch.from_numpy(e.outline.copy()).to(device)
        known = 255 if e.known is None else torch.from_numpy(e.known.copy()).to(device)
        pixels[i, 6, :h, :w] = known
        fruit[i, : len(e.fruit)] = torch.from_numpy(e.fruit)
    sizes = torch.tensor([[float(v) for v in e.rgb.shape[:2]] for e in examples])
    chance = torch.tensor(weights, dtype=torch.float32)
    groups = tuple(e.group for e in examples)
    return Pool(pixels, sizes.to(device), fruit.to(device), chance.to(device), groups)


def random_crops(pool: Pool, count: int, rules: CropRules) -> Batch:
    """Draw ``count`` crops.

    Each is aimed at a random fruit of its picture, zoomed so that this fruit gets a random
    width around ``rules.fruit_px``; one in five is aimed at a random place instead. Crops that
    shrink their picture are sampled at twice their size and averaged, so that they do not alias.
    """
    device = pool.pixels.device
    index = torch.multinomial(pool.weights, count, replacement=True)
    fruit, sizes = pool.fruit[index], pool.sizes[index]
    anchor, has = _anchors(fruit)
    wanted = rules.fruit_px * torch.exp(rules.spread * torch.randn(count, device=device))
    zoom = torch.where(has, wanted / (2 * anchor[:, 2].clamp(min=1)), wanted / 30)
    zoom = zoom.clamp(*rules.zoom)
    random_place = torch.rand((count, 2), device=device) * sizes.flip(1)
    aimed = has & (torch.rand(count, device=device) < 0.8)
    shift = (torch.rand((count, 2), device=device) - 0.5) * rules.size_px * 0.8 / zoom[:, None]
    centre = torch.where(aimed[:, None], anchor[:, :2] + shift, random_place)
    half = rules.size_px / 2 / zoom[:, None] * 0.9
    centre = _kept_inside(centre, half, sizes.flip(1))
    turn = _turns(count, device)
    shrunk = zoom < SHRUNK_BELOW
    parts = [
        _crop(
            pool,
            index[use],
            view=(centre[use], turn[use], zoom[use]),
            size=rules.size_px,
            times=times,
        )
        for use, times in ((shrunk, 2), (~shrunk, 1))
        if use.any()
    ]
    return joined(parts)


def joined(parts: list[Batch]) -> Batch:
    """Several batches of crops as one, with room for the most fruit of any."""
    most = max(p.fruit.shape[1] for p in parts)
    fruit = [functional.pad(p.fruit, (0, 0, 0, most - p.fruit.shape[1])) for p in parts]
    whole = {name: torch.cat([getattr(p, name) for p in parts]) for name in MAPS}
    return Batch(**whole, fruit=torch.cat(fruit))


def taken(batch: Batch, which: torch.Tensor) -> Batch:
    """The crops of these numbers."""
    return Batch(**{f.name: getattr(batch, f.name)[which] for f in fields(batch)})


def parted(batch: Batch, n: int) -> tuple[Batch, Batch]:
    """So many random crops, and the rest.

    A fixed number, not a chance for each: only those are worked on.
    """
    shuffled = torch.randperm(len(batch.rgb), device=batch.rgb.device)
    return taken(batch, shuffled[:n]), taken(batch, shuffled[n:])


def _kept_inside(
    centre: torch.Tensor, half: torch.Tensor, width_height: torch.Tensor
) -> torch.Tensor:
    low = torch.minimum(half.expand_as(centre), width_height / 2)
    return torch.minimum(torch.maximum(centre, low), width_height - low)


def _anchors(fruit: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    real = (fruit[..., 2] > 0) & ~(fruit[..., 3] < 0.4)
    has = real.any(dim=1)
    chance = real.float() + 1e-9
    pick = torch.multinomial(chance, 1)
    return torch.gather(fruit, 1, pick[..., None].expand(-1, -1, 5))[:, 0], has


def _turns(count: int, device: torch.device) -> torch.Tensor:
    """Rotation (upright more often than not, since limbs and light have an up) and flip."""
    small = torch.randn(count, device=device) * 0.25
    any_angle = torch.rand(count, device=device) * 2 * torch.pi
    angle = torch.where(torch.rand(count, device=device) < 0.55, small, any_angle)
    flip = (torch.rand(count, device=device) < 0.5).float() * 2 - 1
    cos, sin = torch.cos(angle), torch.sin(angle)
    return torch.stack([torch.stack([cos * flip, -sin], -1), torch.stack([sin * flip, cos], -1)], 1)


def _crop(
    pool: Pool,
    index: torch.Tensor,
    *,
    view: tuple[torch.Tensor, torch.Tensor, torch.Tensor],
    size: int,
    times: int,
) -> Batch:
    """Crops of ``size`` pixels a side, each pixel the mean of ``times`` samples each way."""
    centre, turn, zoom = view
    device = pool.pixels.device
    stretch = 1 + 0.08 * torch.randn((len(index), 1, 2), device=device).clamp(-2, 2)
    matrix = turn * stretch / zoom[:, None, None]  # crop offset -> picture offset
    fine = (torch.arange(times * size, device=device) + 0.5) / times - size / 2
    by_x, by_y = (matrix[:, None, None, :, i] for i in (0, 1))
    # spelt out: as a product with a matrix of two by two it would take most of the crop's time
    places = by_x * fine[:, None] + by_y * fine[:, None, None] + centre[:, None, None]
    limit = pool.sizes[index].flip(1)[:, None, None] - 1
    valid = ((places >= -0.5) & (places <= limit + 0.5)).all(-1)
    mirrored = limit - ((places.abs() % (2 * limit)) - limit).abs()
    canvas = torch.tensor(
        [pool.pixels.shape[3], pool.pixels.shape[2]], device=device, dtype=torch.float32
    )
    grid = (mirrored + 0.5) / canvas * 2 - 1
    pixels = pool.pixels[index][:, [0, 1, 2, 3, 4, 6]].float() / 255
    sampled = functional.grid_sample(pixels, grid, mode="bilinear", align_corners=False)
    sampled = functional.avg_pool2d(sampled, times)
    inside = functional.avg_pool2d(valid.float()[:, None], times)
    fruit = _moved(pool.fruit[index], centre, matrix, size)
    inside = inside * sampled[:, 5:6]
    return Batch(sampled[:, :3], sampled[:, 3:4], sampled[:, 4:5], inside, fruit)


def _moved(
    fruit: torch.Tensor, centre: torch.Tensor, matrix: torch.Tensor, size: int, most: int = 96
) -> torch.Tensor:
    inverse = torch.linalg.inv(matrix)
    xy = torch.einsum("bij,bkj->bki", inverse, fruit[..., :2] - centre[:, None]) + size / 2 - 0.5
    radius = fruit[..., 2] * torch.linalg.det(inverse).abs().sqrt()[:, None]
    seen = (xy > -radius[..., None]) & (xy < size + radius[..., None])
    radius = radius * seen.all(-1)
    out = torch.cat([xy, radius[..., None], fruit[..., 3:]], -1)
    order = torch.argsort((radius > 0).float(), dim=1, descending=True)[:, :most]
    return torch.gather(out, 1, order[..., None].expand(-1, -1, 5))
