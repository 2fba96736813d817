"""Weights to start a run from: a checkpoint, or a shipped net whose checkpoint is not at hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import torch
from torch import nn

__all__ = ["load_weights"]


def load_weights(net: nn.Module, path: Path, pictures: torch.Tensor) -> None:
    """Fill a net from ``checkpoint.pt`` or from ``fruitness.onnx``.

    The ONNX file holds each convolution with its normalisation folded in. What was folded is
    measured again on ``pictures``, so that the loaded net says the same as the file (up to its
    half-precision weights) and can be trained on.

    Parameters
    ----------
    net : FruitNet
        Changed in place.
    path : Path
        Ends in ``.onnx`` for a shipped net; anything else is read as a checkpoint.
    pictures : float tensor, shape (B, 3, S, S), 0-1
        Typical training crops on the net's device; more give steadier normalisation.

    Raises
    ------
    ValueError
        The file holds another architecture.
    """
    device = next(net.parameters()).device
    if path.suffix != ".onnx":
        net.load_state_dict(torch.load(path, map_location=device, weights_only=True))
        return
    net.eval()
    pairs = _convolutions(net, pictures[:1])
    stored = _stored(path)
    if [tuple(c.weight.shape) for c, _ in pairs] != [tuple(w.shape) for w, _ in stored]:
        raise ValueError(f"{path}: its convolutions are not those of this net")
    with torch.no_grad():
        for (conv, norm), (weight, bias) in zip(pairs, stored, strict=True):
            _fill(conv, norm, weight.to(device), bias.to(device))
        _unfold(net, pairs, pictures)


def _stored(path: Path) -> list[tuple[torch.Tensor, torch.Tensor]]:
    """Weight and bias of each convolution, in the order of running."""
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(path)).graph
    values = {t.name: numpy_helper.to_array(t) for t in graph.initializer}
    values |= {n.output[0]: values[n.input[0]] for n in graph.node if n.op_type == "Cast"}
    return [
        (torch.tensor(values[n.input[1]]).float(), torch.tensor(values[n.input[2]]).float())
        for n in graph.node
        if n.op_type == "Conv"
    ]


def _convolutions(net: nn.Module, picture: torch.Tensor) -> list[tuple[Any, Any]]:
    """Each convolution with the normalisation right after it (or None), in order of running."""
    order: list[nn.Module] = []
    kinds = (nn.Conv2d, nn.BatchNorm2d)
    hooks = [
        m.register_forward_hook(lambda m, _i, _o: order.append(m))
        for m in net.modules()
        if isinstance(m, kinds)
    ]
    with torch.no_grad():
        net(picture)
    for hook in hooks:
        hook.remove()
    following = [*order[1:], None]
    return [
        (m, after if isinstance(after, nn.BatchNorm2d) else None)
        for m, after in zip(order, following, strict=True)
        if isinstance(m, nn.Conv2d)
    ]


def _fill(conv: Any, norm: Any, weight: torch.Tensor, bias: torch.Tensor) -> None:
    """The folded values as they are: normalisation by nothing, with the bias as its shift."""
    conv.weight.copy_(weight)
    if norm is None:
        conv.bias.copy_(bias)
        return
    norm.running_mean.zero_()
    norm.running_var.fill_(1.0 - norm.eps)
    norm.weight.fill_(1.0)
    norm.bias.copy_(bias)


def _unfold(net: nn.Module, pairs: list[tuple[Any, Any]], pictures: torch.Tensor) -> None:
    """Give each normalisation its own mean and spread back; the outputs stay the same."""
    seen: dict[Any, tuple[torch.Tensor, torch.Tensor]] = {}

    def measure(norm: nn.Module, inputs: tuple[torch.Tensor], _out: torch.Tensor) -> None:
        seen[norm] = (inputs[0].mean((0, 2, 3)), inputs[0].var((0, 2, 3)).clamp(min=1e-6))

    hooks = [norm.register_forward_hook(measure) for _, norm in pairs if norm is not None]
    net(pictures)
    for hook in hooks:
        hook.remove()
    for conv, norm in pairs:
        if norm is None:
            continue
        mean, var = seen[norm]
        spread = var.sqrt()
        # unit spread before the normalisation, as of a net that started from random weights
        conv.weight.div_(spread[:, None, None, None])
        norm.running_mean.copy_(mean / spread)
        norm.running_var.fill_(1.0)
        norm.weight.copy_(spread * (1.0 + norm.eps) ** 0.5)
        norm.bias.add_(mean)
