"""Features given the mean and spread of another picture's: light and camera made strange.

Zhou, Yang, Qiao and Xiang, "Domain generalization with MixStyle", ICLR 2021 (with an evenly
distributed share of the other picture instead of a beta distribution, from memory).
"""

from __future__ import annotations

import torch

__all__ = ["mixed_styles"]


def mixed_styles(features: torch.Tensor, chance: torch.Tensor) -> torch.Tensor:
    """Move each picture's channel means and spreads towards those of a random other one.

    Parameters
    ----------
    features : float tensor, shape (B, C, H, W)
    chance : float tensor, no dimensions
        How often a picture is changed, 0-1. A tensor, so that a compiled net need not be
        compiled again when it changes.

    Returns
    -------
    float tensor
        Same shape.
    """
    n, device = len(features), features.device
    with torch.no_grad():
        spread, mean = torch.std_mean(features.float(), (2, 3), keepdim=True)
        spread = spread + 1e-3
        order = torch.rand(n, device=device).argsort()  # a compiler trips over randperm here
        use = (torch.rand((n, 1, 1, 1), device=device) < chance).float()
        share = torch.rand((n, 1, 1, 1), device=device) * use
        gain = 1 + share * (spread[order] / spread - 1).clamp(-0.9, 3.0)
        shift = mean + share * (mean[order] - mean) - mean * gain
    return features * gain.to(features.dtype) + shift.to(features.dtype)
