"""The net: a small fully convolutional pyramid with one set of maps at a quarter of the size.

Five stages halve the picture (to 1/32, so that a fruit is seen with leaves and limb around
it); their features are added together from coarse to fine. Output channels are listed in
:data:`CHANNELS`; the four heat channels are the four half-size cells of a quarter-size cell.
"""

from __future__ import annotations

import torch
from torch import nn
from torch.nn import functional

from fruitcount.training.styles import mixed_styles

__all__ = ["CHANNELS", "LOG_RADIUS_UNIT_PX", "STRIDE", "FruitNet"]

STRIDE = 4
LOG_RADIUS_UNIT_PX = 8.0
"""The radius channel is ln(radius in input pixels / this)."""

CHANNELS = ("heat00", "heat01", "heat10", "heat11", "log_radius", "wood", "yellow", "visible")
"""Heat as logits of the cells (row, column) 0/1 within a stride-4 cell; the rest as named."""

WIDTHS = (32, 48, 96, 128, 160)
DEPTHS = (0, 2, 3, 4, 3)
FUSED = 64


def _conv(c_in: int, c_out: int, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(c_in, c_out, 3, stride, 1, bias=False), nn.BatchNorm2d(c_out), nn.ReLU(True)
    )


class _Residual(nn.Module):
    def __init__(self, width: int) -> None:
        super().__init__()
        self.first = _conv(width, width)
        self.second = nn.Sequential(
            nn.Conv2d(width, width, 3, 1, 1, bias=False), nn.BatchNorm2d(width)
        )

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return functional.relu(x + self.second(self.first(x)))


class FruitNet(nn.Module):
    """Maps from RGB in 0-1.

    Parameters
    ----------
    widths, depths : tuple of int
        Channels and residual blocks of the five halving stages. More is slower.
    fused : int
        Channels of the shared pyramid.

    Attributes
    ----------
    restyled : tensor without dimensions, or None
        In training, how often a picture gets the style of another; None (at first) never does.
    """

    def __init__(
        self,
        widths: tuple[int, ...] = WIDTHS,
        depths: tuple[int, ...] = DEPTHS,
        fused: int = FUSED,
    ) -> None:
        super().__init__()
        inputs = (3, *widths[:-1])
        self.down = nn.ModuleList(
            nn.Sequential(_conv(i, o, 2), *[_Residual(o) for _ in range(n)])
            for i, o, n in zip(inputs, widths, depths, strict=True)
        )
        self.side = nn.ModuleList(nn.Conv2d(w, fused, 1) for w in widths[1:])
        self.fuse = nn.ModuleList(_Residual(fused) for _ in widths[1:])
        self.head = nn.Sequential(_conv(fused, 64), nn.Conv2d(64, len(CHANNELS), 1))
        self.restyled: torch.Tensor | None
        self.register_buffer("restyled", None, persistent=False)
        with torch.no_grad():
            # start from "no fruit": otherwise the focal loss of all the background explodes
            self.head[-1].bias[:4] = -4.0

    def forward(self, rgb: torch.Tensor) -> torch.Tensor:
        """Logits and log radius, shape (n, 8, h / 4, w / 4); h and w multiples of 32."""
        x = (rgb - 0.42) * 4.0
        features = []
        for i, stage in enumerate(self.down):
            x = stage(x)
            # in training only, and in the shallow stages: deeper ones tell what, not how lit
            if self.training and self.restyled is not None and i < 2:
                x = mixed_styles(x, self.restyled)
            features.append(x)
        features = features[1:]
        y = self.fuse[-1](self.side[-1](features[-1]))
        for i in range(len(features) - 2, -1, -1):
            up = functional.interpolate(y, scale_factor=2.0, mode="nearest")
            y = self.fuse[i](up + self.side[i](features[i]))
        return self.head(y)
