"""What the net is punished for."""

from __future__ import annotations

import torch
from torch.nn import functional

from fruitcount.training.quick import quick
from fruitcount.training.targets import Targets


def heat_of(output: torch.Tensor) -> torch.Tensor:
    """Heat logits at half the input's size, from the net's output."""
    return functional.pixel_shuffle(output[:, :4], 2)


@quick
def loss_of(output: torch.Tensor, targets: Targets) -> dict[str, torch.Tensor]:
    """The parts of the loss; their sum is minimised.

    Heat: the focal loss for bell-shaped targets of Law and Deng, "CornerNet", ECCV 2018
    (alpha 2, beta 4). Radius: absolute error of its logarithm. The rest: cross entropy.
    """
    output = output.float()
    parts = {"heat": _focal(heat_of(output), targets)}
    near = targets.near
    total = near.sum().clamp(min=1.0)
    error = (output[:, 4:5] - targets.values[:, 0:1]).abs()
    parts["radius"] = 1.0 * (error * near).sum() / total
    weight = targets.wood_weight
    wood = functional.binary_cross_entropy_with_logits(
        output[:, 5:6], targets.wood, reduction="none"
    )
    parts["wood"] = 1.0 * (wood * weight).sum() / weight.sum().clamp(min=1.0)
    for name, channel, index, worth in (("yellow", 6, 1, 1.0), ("visible", 7, 2, 0.3)):
        parts[name] = worth * _told(output[:, channel : channel + 1], targets, index)
    parts["yellow"] = parts["yellow"] + 3.0 * _no_fruit(output[:, 6:7], targets)
    return parts


def _told(logit: torch.Tensor, targets: Targets, index: int) -> torch.Tensor:
    truth = targets.values[:, index : index + 1]
    known = torch.isfinite(truth) & (truth >= 0)
    safe = torch.where(known, truth, torch.zeros_like(truth)).clamp(0, 1)
    each = functional.binary_cross_entropy_with_logits(logit, safe, reduction="none")
    weight = targets.near * known
    return (each * weight).sum() / weight.sum().clamp(min=1.0)


def _no_fruit(logit: torch.Tensor, targets: Targets) -> torch.Tensor:
    """What is sure to be no fruit is no yellowing fruit: yellow leaf tips among it.

    Sure only in renders, where wood, too, is known; weighed by how wrong the net is.
    """
    heat, weight = (functional.avg_pool2d(m, 2) for m in (targets.heat, targets.heat_weight))
    bare = targets.wood_weight * (heat < 0.05) * (weight > 0.99)
    each = torch.sigmoid(logit.detach()) * functional.softplus(logit)
    return (each * bare).sum() / bare.sum().clamp(min=1.0)


def _focal(logit: torch.Tensor, targets: Targets) -> torch.Tensor:
    chance = torch.sigmoid(logit).clamp(1e-5, 1 - 1e-5)
    centre, weight = targets.centre, targets.heat_weight
    for_fruit = -torch.log(chance) * (1 - chance) ** 2 * centre
    against = -torch.log(1 - chance) * chance**2 * (1 - targets.heat) ** 4 * (1 - centre)
    return ((for_fruit + against) * weight).sum() / (centre * weight).sum().clamp(min=1.0)
