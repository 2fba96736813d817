"""Scores on held-back photos, by the same blob stage that ships."""

from __future__ import annotations

from typing import Any

import numpy as np
import torch
from torch import nn
from torch.nn import functional

from fruitcount.detect.circles import circles_from_maps
from fruitcount.evaluate.match import nearest_first
from fruitcount.image.opencv import LIKED_PX
from fruitcount.training.data import BOX_FILL, Example
from fruitcount.training.losses import heat_of
from fruitcount.training.net import LOG_RADIUS_UNIT_PX
from fruitcount.types import F32, BoolArray, FloatArray, IntArray, Maps, Pixels

THRESHOLDS = tuple(np.round(np.arange(0.1, 0.81, 0.05), 2).tolist())


def maps_of(net: nn.Module, rgb: Pixels, factor: float, device: torch.device) -> Maps:
    """Run the net on one picture resampled by ``factor``."""
    picture = torch.from_numpy(rgb.copy()).to(device).permute(2, 0, 1)[None].float() / 255
    h, w = rgb.shape[:2]
    size = (round(h * factor), round(w * factor))
    picture = functional.interpolate(picture, size, mode="bilinear", antialias=True)
    pad = (0, -size[1] % 32, 0, -size[0] % 32)
    with torch.no_grad():
        output = net(functional.pad(picture, pad, mode="replicate"))[0].float()
    heat = torch.sigmoid(heat_of(output))[0, 0]
    radius = torch.exp(output[:, 4:5]) * LOG_RADIUS_UNIT_PX / factor
    radius = functional.interpolate(radius, scale_factor=2.0, mode="bilinear")[0, 0]
    blank = np.zeros(tuple(heat.shape), np.float32)
    return Maps(heat.cpu().numpy(), radius.cpu().numpy(), blank, 2.0 / factor, "trained")


def match_marks(marks: FloatArray, truth: F32, reach: FloatArray) -> IntArray:
    """One to one, nearest first: index of the truth each mark answers for, or -1.

    Parameters
    ----------
    marks : array, shape (M, 2)
        x, y.
    truth : array, shape (N, >=2)
        x, y first.
    reach : array, shape (N,)
        A mark matches within this distance along either axis.
    """
    step = np.abs(marks[:, None] - truth[None, :, :2])
    apart = np.hypot(step[..., 0], step[..., 1])
    return nearest_first(apart, step.max(-1) <= reach)[0]


def scores(net: nn.Module, examples: list[Example], device: torch.device) -> dict[str, Any]:
    """F1, precision and recall per set and threshold, and the median size error.

    Each picture is brought to the shipped working size by its own median fruit.
    """
    net.eval()
    tally: dict[str, dict[float, list[int]]] = {}
    sizes: dict[str, list[float]] = {}
    for example in examples:
        group = tally.setdefault(example.group, {t: [0, 0, 0] for t in THRESHOLDS})
        _one(net, example, device, (group, sizes.setdefault(example.group, [])))
    return {name: _summary(tally[name], sizes[name]) for name in tally}


def _one(
    net: nn.Module,
    example: Example,
    device: torch.device,
    out: tuple[dict[float, list[int]], list[float]],
) -> None:
    truth = example.fruit
    asked = ~(truth[:, 3] < 0.5)
    middle = float(np.median(truth[asked, 2])) if asked.any() else LIKED_PX / 2
    factor = float(np.clip(LIKED_PX / 2 / middle, 0.3, 2.5))
    maps = maps_of(net, example.rgb, factor, device)
    x, y, r, score = circles_from_maps(maps, min(THRESHOLDS))
    reach = (
        truth[:, 2] / BOX_FILL[example.group] if example.group in BOX_FILL else (0.7 * truth[:, 2])
    )
    marks = np.stack([x, y], 1)
    spared = _spared(marks, truth[~asked])
    for threshold, counts in out[0].items():
        use = score >= threshold
        answer = match_marks(marks[use], truth[asked], reach[asked].astype(np.float64))
        hit = int((answer >= 0).sum())
        counts[0] += hit
        counts[1] += int(((answer < 0) & ~spared[use]).sum())
        counts[2] += int(asked.sum()) - hit
        if threshold == 0.3:
            found = answer >= 0
            true_r = truth[asked, 2][answer[found]]
            out[1].extend(np.log(r[use][found] / true_r).tolist())


def _spared(marks: FloatArray, ignored: F32) -> BoolArray:
    if not len(ignored) or not len(marks):
        return np.zeros(len(marks), bool)
    apart = np.hypot(*(marks[:, None, i] - ignored[None, :, i] for i in (0, 1)))
    return np.asarray((apart < 1.2 * ignored[None, :, 2]).any(1))


def _summary(tally: dict[float, list[int]], sizes: list[float]) -> dict[str, Any]:
    rows = {}
    for threshold, (hit, wrong, missed) in tally.items():
        precision = hit / max(1, hit + wrong)
        recall = hit / max(1, hit + missed)
        f1 = 2 * hit / max(1, 2 * hit + wrong + missed)
        rows[f"{threshold:.2f}"] = [round(v, 4) for v in (f1, precision, recall)]
    best = max(rows, key=lambda t: rows[t][0])
    error = float(np.median(np.abs(sizes))) if sizes else float("nan")
    bias = float(np.median(sizes)) if sizes else float("nan")
    return {
        "best_threshold": float(best),
        "f1_precision_recall": rows[best],
        "median_size_error": round(error, 4),
        "median_size_bias": round(bias, 4),
        "by_threshold": rows,
    }
