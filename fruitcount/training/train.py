"""Train the fruitness net, export it and write its card.

``python -m fruitcount.training.train --photos DIR --renders DIR --out DIR --seconds 480``

``--photos`` holds one folder a set (only sets that may train shipped weights are read),
``--renders`` the output of the limb renderer. Training stops after ``--seconds`` of steps,
whatever the machine; a GPU is used when there is one, and ``torchrun --nproc-per-node N -m
fruitcount.training.train`` uses N of them. Writes ``fruitness.onnx``, ``card.json``, ``card.md``
and ``checkpoint.pt``.
"""

from __future__ import annotations

import argparse
import copy
import math
import time
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import torch
from torch import nn

from fruitcount.training.card import earlier_runs, splits_of
from fruitcount.training.data import Example, is_held_back, read_renders, read_tiles
from fruitcount.training.finish import finish
from fruitcount.training.light import random_light
from fruitcount.training.losses import loss_of
from fruitcount.training.net import FruitNet
from fruitcount.training.paste import paste_random
from fruitcount.training.quick import quick
from fruitcount.training.ranks import Ranks, join_ranks
from fruitcount.training.splice import spliced
from fruitcount.training.sprites import Bank, make_bank
from fruitcount.training.targets import Targets, make_targets
from fruitcount.training.warm_start import load_weights
from fruitcount.training.warp import Batch, CropRules, Pool, joined, make_pool, random_crops

__all__ = ["Run", "main", "next_batch", "pools_of", "train"]

GROUP_SHARE = {
    "cherry-fruitlets-bbch72": 0.44,
    "cherry-bbch81": 0.30,
    "apple-bbch76": 0.15,
    "pear": 0.11,
}
"""Share of the photographed crops that each set gives: more where the net is worst on the very
tiles it was taught (F1 0.79 of bbch72, 0.96 of pear)."""


@dataclass(frozen=True)
class Run:
    """Settings of one training run.

    Attributes
    ----------
    seconds : float
        Time for the steps; reading, validation and export come on top (about 40 s on a GPU).
    batch : int
        Crops a step.
    render_share : float
        Share of the crops that come from renders, where there are any.
    rate : float
        Highest learning rate (AdamW, warm-up then a cosine to zero).
    decay : float
        Of the weights.
    average : float
        Decay of the running average of the weights, which is what ships.
    calm : float
        Share of the run, at its end, with half the pasting, joining and change of light and
        no mixed styles: the net ends on pictures nearer to real ones.
    splice : float
        Share of the crops that are joined from two.
    restyle : float
        How often a picture's shallow features get the style of another's. 0.5 gained nothing
        in the one run that tried it.
    crop : CropRules
    """

    seconds: float = 480.0
    batch: int = 48
    render_share: float = 0.5
    rate: float = 2e-3
    decay: float = 0.02
    average: float = 0.999
    calm: float = 0.25
    splice: float = 0.3
    restyle: float = 0.0
    crop: CropRules = field(default_factory=CropRules)


def pools_of(examples: list[Example], device: torch.device) -> list[Pool]:
    """Photographs and renders apart, each weighted by set and by fruit."""
    pools = []
    for own in (False, True):
        some = [e for e in examples if (e.group == "renders") == own]
        if not some:
            continue
        # crowded pictures teach more a crop than a picture with one fruit
        raw = [math.sqrt(1.0 + min(len(e.fruit), 20)) for e in some]
        sums: defaultdict[str, float] = defaultdict(float)
        for e, weight in zip(some, raw, strict=True):
            sums[e.group] += weight
        weights = [
            w * GROUP_SHARE.get(e.group, 1.0) / sums[e.group]
            for e, w in zip(some, raw, strict=True)
        ]
        pools.append(make_pool(some, weights, device))
    return pools


def next_batch(pools: list[Pool], bank: Bank, run: Run, vary: float = 1.0) -> Batch:
    """Crops with what a run does to them; ``vary`` is how much, 0-1."""
    shares = [1.0] if len(pools) == 1 else [1 - run.render_share, run.render_share]
    crops = [
        random_crops(pool, max(1, round(run.batch * share)), run.crop)
        for pool, share in zip(pools, shares, strict=True)
    ]
    batch = spliced(joined(crops), run.splice * vary)
    batch = paste_random(batch, bank, busy=0.55 * vary)
    return Batch(
        random_light(batch.rgb, vary), batch.wood, batch.wood_known, batch.valid, batch.fruit
    )


def _rate_at(done: float) -> float:
    """Share of the highest rate after a share of the run."""
    warm = 0.04
    if done < warm:
        return 0.05 + 0.95 * done / warm
    return 0.002 + 0.998 * 0.5 * (1 + math.cos(math.pi * (done - warm) / (1 - warm)))


def train(
    examples: list[Example],
    run: Run,
    device: torch.device,
    *,
    resume: Path | None = None,
    ranks: Ranks = Ranks(),  # noqa: B008 - frozen
) -> tuple[nn.Module, dict[str, Any]]:
    """Train and return the averaged net with facts about the run.

    Parameters
    ----------
    examples : list of Example
        Training pictures only.
    run : Run
    device : torch.device
    resume : Path, optional
        Checkpoint, or shipped ``.onnx``, whose weights to start from.
    ranks : Ranks
        The processes that share the run; ``run.batch`` is each one's own.
    """
    pools = pools_of(examples, device)
    bank = make_bank(pools)
    net = FruitNet().to(device, memory_format=torch.channels_last)
    if resume is not None:
        load_weights(net, resume, next_batch(pools, bank, run).rgb)
    ranks.same_weights(net)
    kept = copy.deepcopy(net)
    if run.restyle > 0:
        net.restyled = torch.tensor(run.restyle, device=device)
    net.train()
    forward = quick(net.forward)
    optimiser = torch.optim.AdamW(net.parameters(), run.rate, weight_decay=run.decay)
    began, step, shown, done = time.monotonic(), 0, 0.0, 0.0
    while done < 1.0:
        for group in optimiser.param_groups:
            group["lr"] = run.rate * _rate_at(done)
        calm = done > 1 - run.calm
        with torch.no_grad():
            if calm and net.restyled is not None:
                net.restyled.zero_()
            batch = next_batch(pools, bank, run, 0.5 if calm else 1.0)
            targets = make_targets(batch)
        parts = _step(net, forward, optimiser, (batch, targets), ranks)
        step += 1
        _average(kept, net, min(run.average, (1 + step) / (10 + step)))
        if ranks.count == 1 or step % 10 == 0:
            done = ranks.same((time.monotonic() - began) / run.seconds, device)
        if ranks.mine == 0 and time.monotonic() - shown > 10:
            shown = time.monotonic()
            told = " ".join(f"{k} {float(v):.3f}" for k, v in parts.items())
            print(f"{done:5.1%} step {step} ({step / (shown - began):.1f}/s) {told}", flush=True)
    facts = {"steps": step, "seconds": time.monotonic() - began, "device": _name(device)}
    return kept, facts | {"devices": ranks.count, "batch": run.batch * ranks.count}


def _step(
    net: nn.Module, forward: Any, optimiser: Any, labelled: tuple[Batch, Targets], ranks: Ranks
) -> dict[str, torch.Tensor]:
    batch, targets = labelled
    rgb = batch.rgb.contiguous(memory_format=torch.channels_last)
    kind = rgb.device.type
    with torch.autocast(kind, torch.bfloat16, enabled=kind == "cuda"):
        output = forward(rgb)
    parts = loss_of(output, targets)
    total = torch.stack(list(parts.values())).sum()
    optimiser.zero_grad(set_to_none=True)
    total.backward()
    ranks.average_gradients(net)
    nn.utils.clip_grad_norm_(net.parameters(), 5.0)
    optimiser.step()
    return {k: v.detach() for k, v in parts.items()}


@torch.no_grad()
def _average(kept: nn.Module, net: nn.Module, decay: float) -> None:
    mine = [v for v in kept.state_dict().values() if v.dtype.is_floating_point]
    new = [v for v in net.state_dict().values() if v.dtype.is_floating_point]
    torch._foreach_lerp_(mine, new, 1 - decay)


def _name(device: torch.device) -> str:
    return torch.cuda.get_device_name(device) if device.type == "cuda" else "CPU"


def main() -> None:
    """Read the command line, train, export, score and write the card."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--renders", type=Path, help="folder of rendered limbs; may be left out")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=Run.seconds)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--batch", type=int, default=Run.batch)
    parser.add_argument("--rate", type=float, default=Run.rate, help="highest learning rate")
    parser.add_argument("--render-share", type=float, default=Run.render_share)
    parser.add_argument("--decay", type=float, default=Run.decay, help="of the weights")
    parser.add_argument(
        "--splice", type=float, default=Run.splice, help="share of crops joined of two"
    )
    parser.add_argument(
        "--restyle", type=float, default=Run.restyle, help="how often styles are mixed"
    )
    parser.add_argument("--resume", type=Path, help="checkpoint.pt or .onnx to start from")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--smoke", action="store_true", help="a few small steps, to try it out")
    args = parser.parse_args()
    ranks, device = join_ranks(args.device)
    torch.manual_seed(args.seed + 1000 * ranks.mine)
    if args.device.startswith("cuda"):
        torch.backends.cudnn.benchmark = True
        torch.backends.cuda.matmul.allow_tf32 = True
        torch.backends.cudnn.allow_tf32 = True
    limit = 6 if args.smoke else None
    read = time.monotonic()
    examples = read_tiles(args.photos, limit)
    if args.renders is not None:
        examples += read_renders(args.renders, limit, part=(ranks.mine, ranks.count))
    print(f"read {len(examples)} pictures in {time.monotonic() - read:.0f} s", flush=True)
    told = ("seconds", "batch", "render_share", "rate", "decay", "splice", "restyle")
    run = Run(**{name: getattr(args, name) for name in told})
    if args.smoke:
        run = Run(seconds=min(args.seconds, 20.0), batch=4, crop=CropRules(size_px=256))
    _whole(examples, run, args, (ranks, device))


def _whole(
    examples: list[Example],
    run: Run,
    args: argparse.Namespace,
    place: tuple[Ranks, torch.device],
) -> None:
    ranks, device = place
    teach = [e for e in examples if not is_held_back(e)]
    ask = [e for e in examples if is_held_back(e)]
    net, facts = train(teach, run, device, resume=args.resume, ranks=ranks)
    training = ranks.joined(splits_of(teach))
    ranks.leave()
    if ranks.mine > 0:
        return
    facts |= {"training": training, "validation": splits_of(ask)}
    if args.resume is not None:
        facts["earlier_runs"] = earlier_runs(args.resume)
    finish(net, ask, facts, device, args.out)


if __name__ == "__main__":
    main()
