"""Fit the classical source's coefficients: ``python -m fruitcount.training.colour_model``.

Needs the folder of open annotated tiles, renders if there are any, and torch (CPU is enough).
Writes ``classical.json`` with its own card: data, licence, held-back scores, date.
"""

from __future__ import annotations

import argparse
import datetime
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import nn
from torch.nn import functional

from fruitcount.detect.heatmap_classical import (
    COEFFICIENTS,
    RADIUS_UNIT_PX,
    RIM_LOG_SD,
    Layers,
    first_look,
)
from fruitcount.detect.heatmap_features import (
    CELL_PX,
    cell_features,
    lab_of,
    light_corrected,
    mark_features,
)
from fruitcount.detect.size import find_rim
from fruitcount.image.opencv import resampled
from fruitcount.training.data import (
    LICENCE,
    Example,
    is_validation,
    photo_of,
    read_renders,
    read_tiles,
)
from fruitcount.types import F32, Pixels

NEAR_N, FAR_N = 90, 110
"""Cells taken from each picture near fruit and anywhere."""

MOST_PLACES = 300
"""Places of each picture that the second look learns from, best first."""


def fit_layers(x: F32, target: F32, hidden: int, *, epochs: int, seed: int = 0) -> Layers:
    """Fit a small function by Adam.

    Parameters
    ----------
    x : float32 array, shape (N, K)
    target : float32 array, shape (N, 3)
        Chance, log radius, and weight of the chance's error. The radius is learned where
        the chance is over 0.5.
    hidden : int
        Width of the middle layer. More fits more, and more by chance.
    """
    torch.manual_seed(seed)
    middle, spread = x.mean(0), x.std(0) + 1e-3
    a = torch.from_numpy(np.clip((x - middle) / spread, -6, 6).astype(np.float32))
    t = torch.from_numpy(target)
    net = nn.Sequential(nn.Linear(x.shape[1], hidden), nn.ReLU(), nn.Linear(hidden, 2))
    best = torch.optim.AdamW(net.parameters(), 4e-3, weight_decay=2e-3)
    steps = epochs * (len(x) // 2048 + 1)
    plan = torch.optim.lr_scheduler.OneCycleLR(best, 4e-3, total_steps=steps)
    for _ in range(steps):
        pick = torch.randint(len(x), (2048,))
        out, goal = net(a[pick]), t[pick]
        entropy = functional.binary_cross_entropy_with_logits(
            out[:, 0], goal[:, 0], weight=goal[:, 2], reduction="sum"
        )
        sure = (goal[:, 0] > 0.5) & torch.isfinite(goal[:, 1])
        size = functional.huber_loss(out[sure, 1], goal[sure, 1], reduction="sum", delta=0.3)
        loss = (entropy + 2 * size) / len(pick)
        best.zero_grad()
        loss.backward()
        best.step()
        plan.step()
    one, two = net[0], net[2]
    parts = [p.detach().numpy() for p in (one.weight.T, one.bias, two.weight.T, two.bias)]
    return Layers(middle.astype(np.float32), spread.astype(np.float32), *parts)


def _working(example: Example, rng: np.random.Generator) -> tuple[Pixels, F32]:
    """A picture at a working size drawn at random, and its fruit there."""
    fruit = example.fruit
    usual = float(np.median(fruit[:, 2])) if len(fruit) else 12.0
    factor = float(np.clip(np.exp(rng.uniform(np.log(6), np.log(14))) / usual, 0.35, 1.6))
    rgb = example.rgb[:, ::-1] if rng.random() < 0.5 else example.rgb
    moved = fruit.copy()
    if rgb is not example.rgb:
        moved[:, 0] = rgb.shape[1] - 1 - moved[:, 0]
    moved[:, :2] = (moved[:, :2] + 0.5) * factor - 0.5
    moved[:, 2] *= factor
    return light_corrected(resampled(np.ascontiguousarray(rgb), factor)), moved


def _cells(example: Example, rng: np.random.Generator) -> tuple[F32, F32]:
    """Features and targets of some cells of a picture."""
    rgb, fruit = _working(example, rng)
    features = cell_features(lab_of(rgb))
    rows, cols = features.shape[:2]
    far = np.stack([rng.integers(0, rows, FAR_N), rng.integers(0, cols, FAR_N)], 1)
    at = far
    if len(fruit):
        whose = fruit[rng.integers(len(fruit), size=NEAR_N)]
        spot = whose[:, :2] + rng.normal(0, 0.45, (NEAR_N, 2)) * whose[:, 2:3]
        cell = np.rint((spot[:, ::-1] + 0.5) / CELL_PX - 0.5).astype(int)
        at = np.concatenate([far, np.clip(cell, 0, [rows - 1, cols - 1])])
    target = np.zeros((len(at), 3), np.float32)
    target[:, 2] = 1.0
    if len(fruit):
        xy = at[:, ::-1] * CELL_PX + (CELL_PX - 1) / 2
        apart = np.hypot(*(xy[:, None, i] - fruit[None, :, i] for i in (0, 1))) / fruit[:, 2]
        nearest = apart.argmin(1)
        close = apart.min(1)
        target[:, 0] = np.exp(-0.5 * (close / 0.33) ** 2)
        target[:, 1] = np.log(fruit[nearest, 2] / RADIUS_UNIT_PX)
        target[:, 2] = np.where((fruit[nearest, 3] < 0.4) & (close < 1.2), 0.0, 1.0)
    return features[at[:, 0], at[:, 1]], target


def _marks(example: Example, first: Layers, rng: np.random.Generator) -> tuple[F32, F32]:
    """Features and targets of the candidates of a picture."""
    rgb, fruit = _working(example, rng)
    places = first_look(rgb, first)[0].take(slice(MOST_PLACES))
    x = mark_features(find_rim(rgb, places.circles, RIM_LOG_SD), places.look)
    target = np.zeros((len(x), 3), np.float32)
    target[:, 2] = 1.0
    if len(fruit):
        apart = np.hypot(*(places.circles[:, None, i] - fruit[None, :, i] for i in (0, 1)))
        share = apart / fruit[:, 2]
        nearest, close = share.argmin(1), share.min(1)
        first_there = np.array(
            [share[:, j][nearest == j].min(initial=9) for j in range(len(fruit))]
        )
        best = close <= first_there[nearest]
        target[:, 0] = (close < 0.7) & best
        unsure = (close < 1.2) & ~(target[:, 0] > 0)
        hidden = (fruit[nearest, 3] < 0.5) & (close < 1.2)
        target[:, 2] = np.where(hidden | (unsure & (close < 0.7)), 0.0, 1.0)
        target[:, 1] = np.log(fruit[nearest, 2] / places.circles[:, 2])
    return x, target


def _gathered(parts: Sequence[tuple[F32, F32]]) -> tuple[F32, F32]:
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


def fit(examples: Sequence[Example], *, seed: int = 0, rounds: int = 2) -> tuple[Layers, Layers]:
    """Fit both looks.

    Parameters
    ----------
    examples : sequence of Example
        Only pictures that may train.
    rounds : int
        How often each picture is used, each time at another size.
    """
    rng = np.random.default_rng(seed)
    often = [e for e in examples for _ in range(rounds)]
    x, target = _gathered([_cells(e, rng) for e in often])
    first = fit_layers(x, target, 32, epochs=20)
    x, target = _gathered([_marks(e, first, rng) for e in often])
    kept = target[:, 2] > 0
    return first, fit_layers(x[kept], target[kept], 32, epochs=20)


def main(argv: list[str] | None = None) -> None:
    """Entry point."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--photos", type=Path, required=True, help="folder of the open sets")
    ask.add_argument("--renders", type=Path, help="folder of rendered pictures")
    ask.add_argument("--limit", type=int, help="at most so many tiles a set")
    ask.add_argument("--rounds", type=int, default=2, help="uses of each picture")
    ask.add_argument("--out", type=Path, default=COEFFICIENTS)
    told = ask.parse_args(argv)
    examples = read_tiles(told.photos, told.limit)
    train = [e for e in examples if not is_validation(e.group, photo_of(e.name))]
    if told.renders:
        train += read_renders(told.renders)
    first, second = fit(train, rounds=told.rounds)
    record: dict[str, Any] = {
        "about": "Coefficients of the classical source of heatmap, fitted by "
        "fruitcount.training.colour_model.",
        "date": datetime.datetime.now(datetime.UTC).date().isoformat(),
        "pictures_n": len(train),
        "data": LICENCE,
        "renders": "our own rendered limbs" if told.renders else "none",
        "first": _record(first),
        "second": _record(second),
    }
    told.out.write_text(json.dumps(record), encoding="utf-8")


def _record(layers: Layers) -> dict[str, Any]:
    """Plain lists, rounded to 4 significant figures."""
    return {name: _plain(values) for name, values in vars(layers).items()}


def _plain(values: F32) -> Any:
    if values.ndim > 1:
        return [_plain(row) for row in values]
    return [float(f"{v:.4g}") for v in values]


if __name__ == "__main__":
    main()
