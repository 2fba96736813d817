"""One net from several runs that went on from the same weights: the mean of their weights.

``python -m fruitcount.training.blend RUN RUN --photos DIR --renders DIR --out DIR``

Such runs end in one valley, and its middle serves pictures of other kinds better than any of
them (Wortsman et al., "Model soups", ICML 2022). What the normalisation expects is then measured
again on training crops (Izmailov et al., "Averaging weights leads to wider optima", UAI 2018).
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import torch
from torch import nn

from fruitcount.training.card import averaged_runs, names_of_all
from fruitcount.training.data import is_held_back, read_renders, read_tiles
from fruitcount.training.finish import finish
from fruitcount.training.net import FruitNet
from fruitcount.training.sprites import make_bank
from fruitcount.training.train import Run, next_batch, pools_of
from fruitcount.training.warp import Batch

__all__ = ["blended", "main", "measure_normalisation", "shift_heat", "told_of"]


def blended(checkpoints: list[dict[str, torch.Tensor]]) -> FruitNet:
    """A net with the mean of the weights.

    Parameters
    ----------
    checkpoints : list of dict
        Weights by name, of one architecture; half precision will do.
    """
    first = checkpoints[0]
    mean = {
        name: torch.stack([c[name].float() for c in checkpoints]).mean(0)
        if value.dtype.is_floating_point
        else value
        for name, value in first.items()
    }
    net = FruitNet()
    net.load_state_dict(mean)
    return net


@torch.no_grad()
def measure_normalisation(net: nn.Module, batches: Iterable[Batch]) -> None:
    """Set each normalisation's mean and spread to those of the crops, in place.

    Batches are taken one by one: from an iterator no two need be held at once.
    """
    norms = [m for m in net.modules() if isinstance(m, nn.BatchNorm2d)]
    usual = [norm.momentum for norm in norms]
    for norm in norms:
        norm.reset_running_stats()
        norm.momentum = None  # the plain mean of all batches
    net.train()
    for batch in batches:
        net(batch.rgb)
    net.eval()
    for norm, momentum in zip(norms, usual, strict=True):
        norm.momentum = momentum


@torch.no_grad()
def shift_heat(net: FruitNet, logits: float) -> None:
    """Add to the logits of fruit, in place.

    An average sounds surer or less sure than its parts. Chosen on held-back photographs, the shift
    lets the shipped threshold serve it as it served them.
    """
    net.head[-1].bias[:4] += logits


def told_of(cards: list[dict[str, Any]]) -> dict[str, Any]:
    """Facts for the card of a blend: those of the first run, with all steps, seconds and names."""
    first = cards[0]
    facts: dict[str, Any] = {
        k: first[k] for k in ("device", "devices", "batch", "earlier_runs") if k in first
    }
    facts["blended"] = len(cards)
    facts["averaged"] = averaged_runs(cards)
    for name in ("steps", "seconds"):
        facts[name] = sum(card[name] for card in cards)
    for name in ("training", "validation"):
        facts[name] = names_of_all([card[name] for card in cards])
    return facts


def main() -> None:
    """Read the command line, average, measure, score, write net and card."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("runs", nargs="+", type=Path, help="folders with checkpoint.pt, card.json")
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--renders", type=Path, help="for normalisation and scores")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--batches", type=int, default=40, help="of 16 crops, for normalisation")
    parser.add_argument("--heat-shift", type=float, default=0.0, help="added to fruit's logits")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    torch.manual_seed(args.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    examples = read_tiles(args.photos)
    renders = [] if args.renders is None else read_renders(args.renders)
    # a few of each will do: what is measured are means over all crops
    some = [e for e in examples if not is_held_back(e)][::4] + renders
    pools = pools_of(some, device)
    bank, run = make_bank(pools), Run(batch=16)
    folders = [folder / "checkpoint.pt" for folder in args.runs]
    net = blended([torch.load(f, map_location="cpu", weights_only=True) for f in folders])
    net.to(device)
    measure_normalisation(net, (next_batch(pools, bank, run, 0.5) for _ in range(args.batches)))
    shift_heat(net, args.heat_shift)
    facts = {"heat_shift": args.heat_shift} | told_of(
        [json.loads((folder / "card.json").read_text()) for folder in args.runs]
    )
    finish(net, [e for e in examples if is_held_back(e)] + renders, facts, device, args.out)


if __name__ == "__main__":
    main()
