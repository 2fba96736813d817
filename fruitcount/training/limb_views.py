"""Whole pictures with the limb's line: turned and zoomed views, what to say of them, the loss."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch.nn import functional

from fruitcount.evaluate.split import held_back
from fruitcount.training.data import Example, photo_of
from fruitcount.training.net import LOG_RADIUS_UNIT_PX

VIEW_PX = 640
"""Side of a view; a photo's long side fills 0.7 to 1.65 of it."""

POINTS = 48
ENDS = ("base", "tip", "frame", "unknown")
END_SIGMA_PX = 9.0
HELD_BACK_PERCENT = 20
"""Of the photographs with a line by hand; by photo."""


@dataclass(frozen=True, eq=False)
class LimbPool:
    """Pictures with a limb line.

    Pixels uint8 (N, 3, H, W), sizes (N, 2) as width and height, line (N, POINTS, 3), ends (N, 2)
    as numbers in ENDS, weights (N,).
    """

    pixels: torch.Tensor
    sizes: torch.Tensor
    line: torch.Tensor
    ends: torch.Tensor
    weights: torch.Tensor


@dataclass(frozen=True, eq=False)
class LimbViews:
    """Views of them.

    Rgb (B, 3, S, S), valid (B, 1, S, S), line (B, POINTS, 3) in view pixels, inside (B, POINTS),
    ends (B, 2).
    """

    rgb: torch.Tensor
    valid: torch.Tensor
    line: torch.Tensor
    inside: torch.Tensor
    ends: torch.Tensor


def is_held_back_line(example: Example) -> bool:
    """Whether a picture's limb line is for judging only."""
    share = {} if example.group == "renders" else {"percent": HELD_BACK_PERCENT}
    return held_back(example.group, photo_of(example.name), **share)


def make_limb_pool(examples: list[Example], real_share: float, device: torch.device) -> LimbPool:
    """Stack the pictures that have a line; ``real_share`` of the draws are photographs."""
    some = [e for e in examples if e.limb is not None]
    height, width = (max(e.rgb.shape[i] for e in some) for i in (0, 1))
    pixels = torch.zeros((len(some), 3, height, width), dtype=torch.uint8, device=device)
    for i, e in enumerate(some):
        h, w = e.rgb.shape[:2]
        pixels[i, :, :h, :w] = torch.from_numpy(e.rgb.copy()).permute(2, 0, 1).to(device)
    sizes = torch.tensor([[float(e.rgb.shape[1]), float(e.rgb.shape[0])] for e in some])
    line = torch.tensor(np.stack([_even(e.limb) for e in some if e.limb is not None]))
    ends = torch.tensor([[ENDS.index(at) for at in e.ends] for e in some])
    real = torch.tensor([e.group != "renders" for e in some])
    share = torch.where(real, real_share, 1 - real_share)
    count = torch.where(real, real.sum(), (~real).sum()).clamp(min=1)
    put = (sizes, line, ends, share / count)
    return LimbPool(pixels, *(t.to(device) for t in put))


def _even(line: np.ndarray) -> np.ndarray:
    along = np.r_[0, np.cumsum(np.hypot(*np.diff(line[:, :2], axis=0).T))]
    at = np.linspace(0, along[-1], POINTS)
    return np.stack([np.interp(at, along, line[:, k]) for k in range(3)], 1).astype(np.float32)


def random_views(pool: LimbPool, count: int) -> LimbViews:
    """Draw views: each turned up to 35 degrees (some by any angle), mirrored, zoomed, shifted."""
    device = pool.pixels.device
    index = torch.multinomial(pool.weights, count, replacement=True)
    sizes, line = pool.sizes[index], pool.line[index]
    scale = VIEW_PX / sizes.amax(1)
    zoom = scale * torch.exp(torch.rand(count, device=device) * 0.85 - 0.35)
    turn = _turns(count, device)
    middle = sizes / 2
    pick = line[torch.arange(count), torch.randint(POINTS, (count,), device=device), :2]
    pick = torch.minimum(pick.clamp(min=0), sizes)
    slack = (1 - 0.62 * scale / zoom).clamp(0, 1)[:, None]
    centre = middle + (pick - middle) * slack * torch.rand((count, 1), device=device)
    jitter = (torch.rand((count, 2), device=device) - 0.5) * 0.16 * VIEW_PX / zoom[:, None]
    matrix = turn / zoom[:, None, None]  # view offset -> picture offset
    centre = centre + jitter
    rgb, valid = _sampled(pool, index, centre, matrix)
    inverse = torch.linalg.inv(matrix)
    xy = torch.einsum("bij,bkj->bki", inverse, line[..., :2] - centre[:, None])
    xy = xy + VIEW_PX / 2 - 0.5
    in_view = ((xy > 0) & (xy < VIEW_PX - 1)).all(-1)
    in_picture = ((line[..., :2] >= 0) & (line[..., :2] <= sizes[:, None] - 1)).all(-1)
    moved = torch.cat([xy, line[..., 2:] * zoom[:, None, None]], -1)
    return LimbViews(rgb, valid, moved, in_view & in_picture, pool.ends[index])


def _turns(count: int, device: torch.device) -> torch.Tensor:
    angle = (torch.rand(count, device=device) * 2 - 1) * 0.6
    quarter = torch.randint(1, 4, (count,), device=device) * (torch.pi / 2)
    angle = angle + quarter * (torch.rand(count, device=device) < 0.2)
    flip = (torch.rand(count, device=device) < 0.5).float() * 2 - 1
    cos, sin = torch.cos(angle), torch.sin(angle)
    return torch.stack([torch.stack([cos * flip, -sin], -1), torch.stack([sin * flip, cos], -1)], 1)


def _sampled(
    pool: LimbPool, index: torch.Tensor, centre: torch.Tensor, matrix: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor]:
    device = pool.pixels.device
    fine = torch.arange(VIEW_PX, device=device) + 0.5 - VIEW_PX / 2
    by_x, by_y = (matrix[:, None, None, :, i] for i in (0, 1))
    places = by_x * fine[:, None] + by_y * fine[:, None, None] + centre[:, None, None]
    limit = pool.sizes[index][:, None, None] - 1
    valid = ((places >= -0.5) & (places <= limit + 0.5)).all(-1)
    places = torch.minimum(places.clamp(min=0), limit)  # beyond: the edge, as when a photo is used
    canvas = torch.tensor(
        [pool.pixels.shape[3], pool.pixels.shape[2]], device=device, dtype=torch.float32
    )
    grid = (places + 0.5) / canvas * 2 - 1
    rgb = functional.grid_sample(pool.pixels[index].float() / 255, grid, align_corners=False)
    return rgb, valid.float()[:, None]


def limb_loss(output: torch.Tensor, views: LimbViews) -> dict[str, torch.Tensor]:
    """Parts of the loss of the limb maps, shape (B, 5, S / 4, S / 4).

    Line: cross entropy and the overlap measure of Milletari et al., "V-Net", 3DV 2016 (Dice).
    Ends: cross entropy, the few cells of an end counting more. Half thickness: absolute error of
    its logarithm on the line.
    """
    output = output.float()
    near, half = _nearest(views, output.shape[-1])
    known = torch.isfinite(half)
    radius = torch.where(known, half, 0.011 * VIEW_PX * torch.ones_like(half)).clamp(min=2.5)
    line = torch.sigmoid((radius - near) / 1.0)
    weight = functional.avg_pool2d(views.valid, 4)[:, 0]
    rim = (near > 0.5 * radius) & (near < 2.2 * radius)
    weight = weight * (known | ~rim).float()
    bce = functional.binary_cross_entropy_with_logits
    each = bce(output[:, 0], line, reduction="none") * weight
    chance = torch.sigmoid(output[:, 0]) * weight
    both = (chance * line).sum((1, 2))
    dice = 1 - (2 * both + 20) / (chance.sum((1, 2)) + (line * weight).sum((1, 2)) + 20)
    parts = {"line": 4.0 * (each * (1 + 4 * line)).mean()}
    parts["dice"] = dice.mean()
    heat, told = _ends(views, output.shape[-1])
    sure = told * functional.avg_pool2d(views.valid, 4)
    parts["ends"] = (
        20.0 * (bce(output[:, 1:4], heat, reduction="none") * (1 + 12 * heat) * sure).mean()
    )
    true = torch.log(radius / LOG_RADIUS_UNIT_PX)
    use = line * weight * known
    parts["half"] = 0.5 * ((output[:, 4] - true).abs() * use).sum() / use.sum().clamp(min=1.0)
    return parts


def _cells(count: int, device: torch.device) -> torch.Tensor:
    return (torch.arange(count, device=device) + 0.5) * 4 - 0.5


def _nearest(views: LimbViews, count: int) -> tuple[torch.Tensor, torch.Tensor]:
    """Distance of each cell from the line, and the half thickness where it is nearest."""
    line = views.line
    at = _cells(count, line.device)
    start, step = line[:, :-1], line[:, 1:] - line[:, :-1]
    dx = at - start[..., 0, None]  # (B, segments, cells)
    dy = at - start[..., 1, None]
    square = (step[..., :2] ** 2).sum(-1).clamp(min=1e-6)[..., None, None]
    dot = dx[:, :, None, :] * step[..., 0, None, None] + dy[..., None] * step[..., 1, None, None]
    share = (dot / square).clamp(0, 1)
    off_x = dx[:, :, None, :] - share * step[..., 0, None, None]
    off_y = dy[..., None] - share * step[..., 1, None, None]
    away, which = (off_x**2 + off_y**2).min(1)
    half = line[:, :-1, 2]
    return away.sqrt(), torch.gather(half, 1, which.flatten(1)).reshape(away.shape)


def _ends(views: LimbViews, count: int) -> tuple[torch.Tensor, torch.Tensor]:
    """Heat of base, tip and frame (B, 3, ...), and where it is known."""
    n, points = views.inside.shape
    device = views.line.device
    order = torch.arange(points, device=device)
    some = views.inside.any(1)
    first = torch.where(views.inside, order, points).amin(1).clamp(max=points - 1)
    last = torch.where(views.inside, order, -1).amax(1).clamp(min=0)
    heat = torch.zeros((n, 3, count, count), device=device)
    told = torch.ones_like(heat)
    at = _cells(count, device)
    for k, (where, whole) in enumerate(((first, first == 0), (last, last == points - 1))):
        kind = torch.where(whole, views.ends[:, k], torch.full_like(where, 2))
        xy = views.line[torch.arange(n), where, :2]
        dx = at[None, None, :] - xy[:, 0, None, None]
        dy = at[None, :, None] - xy[:, 1, None, None]
        bell = torch.exp(-0.5 * (dx * dx + dy * dy) / END_SIGMA_PX**2) * some[:, None, None]
        for c in range(3):
            mine = (kind == c)[:, None, None]
            heat[:, c] = torch.where(mine, torch.maximum(heat[:, c], bell), heat[:, c])
        unsure = ((kind == 3)[:, None, None] & (bell > 0.02))[:, None]
        told = torch.where(unsure, torch.zeros_like(told), told)
    return heat, told
