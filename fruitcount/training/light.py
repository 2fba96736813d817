"""Random light, colour and camera faults, a different draw for every crop of a batch."""

from __future__ import annotations

import math

import torch
from torch.nn import functional

from fruitcount.training.quick import quick

JPEG_SHARE = 0.5
"""Share of the crops that get the marks of strong compression."""


def _some(count: int, chance: float, device: torch.device) -> torch.Tensor:
    return (torch.rand((count, 1, 1, 1), device=device) < chance).float()


def _normal(count: int, device: torch.device, sd: float, channels: int = 1) -> torch.Tensor:
    return torch.randn((count, channels, 1, 1), device=device).clamp(-2.5, 2.5) * sd


@quick
def random_light(rgb: torch.Tensor, strength: float = 1.0) -> torch.Tensor:
    """Vary white balance, hue, saturation, tone, shadow, haze, blur, noise and JPEG.

    Parameters
    ----------
    rgb : float tensor, shape (B, 3, S, S), 0-1
    strength : float
        0 leaves the pictures as they are, 1 changes them as far as phones and light do.

    Returns
    -------
    float tensor
        Same shape, 0-1.
    """
    out = _colour(rgb)
    out = _shadow(out)
    out = _sharpness(out)
    out = _noise(out)
    out = out.clamp(0, 1)
    some = torch.rand(len(rgb), device=rgb.device) < JPEG_SHARE
    if some.any():
        out[some] = _jpeg(out[some]).clamp(0, 1)
    return rgb + (out - rgb) * strength


def _colour(rgb: torch.Tensor) -> torch.Tensor:
    n, device = rgb.shape[0], rgb.device
    gain = torch.exp(_normal(n, device, 0.10, 3) + _normal(n, device, 0.22))
    out = (rgb * gain).clamp(1e-4, 1.5)
    out = out ** torch.exp(_normal(n, device, 0.25))
    grey = out.mean(1, keepdim=True)
    out = grey + (out - grey) * torch.exp(_normal(n, device, 0.28))
    return _hue(out, _normal(n, device, 0.10))


def _hue(rgb: torch.Tensor, angle: torch.Tensor) -> torch.Tensor:
    """Turn colours about the grey axis (Rodrigues' rotation about (1, 1, 1))."""
    cos, sin = torch.cos(angle), torch.sin(angle)
    grey = rgb.mean(1, keepdim=True)
    turned = torch.stack(
        [rgb[:, 2] - rgb[:, 1], rgb[:, 0] - rgb[:, 2], rgb[:, 1] - rgb[:, 0]], 1
    ) / math.sqrt(3)
    return grey + (rgb - grey) * cos + turned * sin


def _shadow(rgb: torch.Tensor) -> torch.Tensor:
    """Patchy shade and light with soft or hard edges, and haze or veiling glare."""
    n, device = rgb.shape[0], rgb.device
    coarse = torch.randn((n, 1, 12, 12), device=device)
    coarse = coarse + 1.5 * functional.interpolate(
        torch.randn((n, 1, 4, 4), device=device), (12, 12), mode="bicubic"
    )
    field = functional.interpolate(coarse, rgb.shape[-2:], mode="bicubic")
    hard = torch.exp(1.5 + _normal(n, device, 0.8))
    depth = 0.75 * torch.rand((n, 1, 1, 1), device=device) * _some(n, 0.5, device)
    out = rgb * (1 - depth * torch.sigmoid(field * hard))
    veil = 0.22 * torch.rand((n, 1, 1, 1), device=device) ** 2 * _some(n, 0.3, device)
    return out * (1 - veil) + veil


def _sharpness(rgb: torch.Tensor) -> torch.Tensor:
    """Blur (any direction) for a third of the crops, sharpening haloes for another third."""
    n, device = rgb.shape[0], rgb.device
    which = torch.rand(n, device=device)
    sigma = (0.4 + 1.6 * torch.rand(n, device=device) ** 1.5)[:, None, None]
    along = 1 + 1.2 * torch.rand(n, device=device)[:, None, None] ** 2
    angle = (torch.rand(n, device=device) * math.pi)[:, None, None]
    t = torch.arange(-4, 5, device=device).float()
    y, x = torch.meshgrid(t, t, indexing="ij")
    u = x * torch.cos(angle) + y * torch.sin(angle)
    v = y * torch.cos(angle) - x * torch.sin(angle)
    kernel = torch.exp(-0.5 * ((u / (sigma * along)) ** 2 + (v / sigma) ** 2))
    kernel = kernel / kernel.sum((1, 2), keepdim=True)
    stacked = rgb.reshape(1, n * 3, *rgb.shape[-2:])
    kernels = kernel.repeat_interleave(3, 0)[:, None]
    padded = functional.pad(stacked, (4, 4, 4, 4), mode="reflect")
    blurred = functional.conv2d(padded, kernels, groups=n * 3).reshape(rgb.shape)
    amount = (which < 0.33).float() - (which > 0.7).float() * (0.4 + 0.8 * which)
    return rgb + (blurred - rgb) * amount[:, None, None, None]


def _noise(rgb: torch.Tensor) -> torch.Tensor:
    n, device = rgb.shape[0], rgb.device
    sd = 0.05 * torch.rand((n, 1, 1, 1), device=device) ** 2 * _some(n, 0.6, device)
    return rgb + torch.randn_like(rgb) * sd


def _cosines(device: torch.device) -> torch.Tensor:
    k = torch.arange(8, device=device).float()
    table = torch.cos((2 * k[None] + 1) * k[:, None] * math.pi / 16) / 2
    table[0] = table[0] / math.sqrt(2)
    return table


def _jpeg(rgb: torch.Tensor) -> torch.Tensor:
    """Quantise 8x8 cosine blocks as JPEG does (step grows with frequency)."""
    n, _, h, w = rgb.shape
    device = rgb.device
    table = _cosines(device)
    k = torch.arange(8, device=device).float()
    step = (1 + 0.8 * (k[:, None] + k[None])) * 0.02
    strength = torch.rand((n, 1, 1, 1, 1, 1), device=device) * 1.5 + 0.1
    blocks = rgb.reshape(n, 3, h // 8, 8, w // 8, 8).permute(0, 1, 2, 4, 3, 5)
    waves = _both_ways(blocks, table)
    rounded = torch.round(waves / (step * strength)) * step * strength
    # turned over twice, and the steps are the same either way: the blocks lie as they did
    back = _both_ways(rounded, table.T)
    return back.permute(0, 1, 2, 4, 3, 5).reshape(rgb.shape)


def _both_ways(blocks: torch.Tensor, table: torch.Tensor) -> torch.Tensor:
    """``(table @ blocks @ table.T)`` of every block, turned over.

    Always with the table on the right: one large product instead of half a million small ones.
    """
    return (blocks @ table.T).transpose(-1, -2) @ table.T
