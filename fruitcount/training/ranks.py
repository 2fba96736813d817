"""One run on several GPUs of a host: each takes its own crops, all take the same step."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any

import torch
from torch import distributed, nn

from fruitcount.training.card import names_of_all


@dataclass(frozen=True)
class Ranks:
    """Which process of how many this is.

    Attributes
    ----------
    mine : int
        0 for the one that reports, exports and writes.
    count : int
        1 unless started by ``torchrun``.
    """

    mine: int = 0
    count: int = 1

    def average_gradients(self, net: nn.Module) -> None:
        """Replace every gradient by its mean over the processes."""
        if self.count == 1:
            return
        gradients = [p.grad for p in net.parameters() if p.grad is not None]
        flat = torch.cat([g.flatten() for g in gradients])
        distributed.all_reduce(flat)
        flat /= self.count
        parts = flat.split([g.numel() for g in gradients])
        shaped = [p.view_as(g) for p, g in zip(parts, gradients, strict=True)]
        torch._foreach_copy_(gradients, shaped)

    def same(self, value: float, device: torch.device) -> float:
        """The first process's value, in all of them: clocks differ."""
        if self.count == 1:
            return value
        told = torch.tensor([value], dtype=torch.float64, device=device)
        distributed.broadcast(told, 0)
        return float(told.item())

    def same_weights(self, net: nn.Module) -> None:
        """Give every process the first one's weights."""
        if self.count > 1:
            for value in net.state_dict().values():
                distributed.broadcast(value, 0)

    def joined(self, names: dict[str, list[str]]) -> dict[str, list[str]]:
        """The sorted names under each key, of all processes together."""
        if self.count == 1:
            return names
        told: list[Any] = [None] * self.count
        distributed.all_gather_object(told, names)
        return names_of_all(told)

    def leave(self) -> None:
        """End the group; the others may be gone by now."""
        if self.count > 1:
            distributed.destroy_process_group()


def join_ranks(device: str) -> tuple[Ranks, torch.device]:
    """Join the processes that ``torchrun`` started, if it did.

    Parameters
    ----------
    device : str
        Kind of device; with several processes each takes the GPU of its local number.

    Returns
    -------
    Ranks, torch.device
    """
    count = int(os.environ.get("WORLD_SIZE", "1"))
    if count == 1:
        return Ranks(), torch.device(device)
    mine = int(os.environ["RANK"])
    gpu = device.startswith("cuda")
    if gpu:
        torch.cuda.set_device(int(os.environ.get("LOCAL_RANK", mine)))
    distributed.init_process_group("nccl" if gpu else "gloo")
    where = torch.device("cuda", torch.cuda.current_device()) if gpu else torch.device(device)
    return Ranks(mine, count), where
