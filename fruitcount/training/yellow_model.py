"""Fit the weights of yellowing on renders: ``python -m fruitcount.training.yellow_model DIR``.

Prints the weights for :mod:`fruitcount.detect.classify`, with precision and recall by threshold
as each scene is judged by the others. Fruit circles are the true ones with a radius error.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from fruitcount.detect.classify import fruit_colours, yellow_clues
from fruitcount.detect.size import measure_sizes
from fruitcount.image.light import photo_light
from fruitcount.image.photo import read_photo
from fruitcount.training.data import photo_of
from fruitcount.types import FloatArray, Scale

__all__ = ["Clues", "fit_weights", "gather", "left_out", "main"]

LEAST_VISIBLE, SMALLEST_PX = 0.5, 7.0
PRIOR = 2.0
"""How strongly weights are held to 0, each in units of its clue's own spread."""


@dataclass(frozen=True, eq=False)
class Clues:
    """Clues of N fruit, which are yellowing, and the scene each is in."""

    x: FloatArray
    yellow: NDArray[np.bool_]
    scene: NDArray[np.str_]


def _photos(folder: Path) -> Iterator[tuple[Path, dict[str, Any]]]:
    for truth in sorted(folder.rglob("truth.json")):
        for photo in json.loads(truth.read_text())["photos"]:
            yield truth.parent / photo["image"], photo


def _scale(photo: dict[str, Any]) -> Scale:
    card = photo.get("card")
    if not card:
        return Scale()
    corners = np.array(card["corners_px"])
    return Scale(px_per_mm=photo["px_per_mm"], source="card", corners_px=corners)


def gather(folder: Path, seed: int = 0) -> Clues:
    """Clues of every fruit that shows at least half, in the renders below a folder."""
    rng = np.random.default_rng(seed)
    x, yellow, scene = [], [], []
    for path, photo in _photos(folder):
        fruit = [
            f for f in photo["fruit"] if f["visible"] >= LEAST_VISIBLE and f["r_px"] > SMALLEST_PX
        ]
        if not fruit:
            continue
        rgb = read_photo(path).rgb
        circles = np.array([[f["x"], f["y"], f["r_px"]] for f in fruit])
        circles[:, 2] *= np.exp(rng.normal(0, 0.06, len(fruit)))
        sizes = measure_sizes(rgb, circles, 0.08)
        light = photo_light(rgb, _scale(photo))
        x.append(yellow_clues(fruit_colours(sizes.rim), sizes.r_px, np.ones(len(fruit)), light))
        yellow += [f["cls"] == "yellowing" for f in fruit]
        scene += [f"{path.parent}/{photo_of(path.stem)}"] * len(fruit)
    return Clues(np.concatenate(x), np.array(yellow), np.array(scene))


def fit_weights(x: FloatArray, yellow: NDArray[np.bool_]) -> FloatArray:
    """Ridge logistic regression: weights of the clues, then the offset."""
    wide = np.column_stack([x, np.ones(len(x))])
    hold = PRIOR * np.append(x.var(axis=0), 0.0)

    def loss(w: FloatArray) -> tuple[float, FloatArray]:
        z = wide @ w
        value = float(np.sum(np.logaddexp(0, z) - yellow * z) + hold @ w**2 / 2)
        slope = wide.T @ (1 / (1 + np.exp(-np.clip(z, -50, 50))) - yellow) + hold * w
        return value, slope

    return np.asarray(minimize(loss, np.zeros(wide.shape[1]), jac=True, method="L-BFGS-B").x)


def left_out(clues: Clues, parts: int = 8) -> FloatArray:
    """Chance of yellowing of each fruit, by weights fitted without its scene."""
    chance = np.zeros(len(clues.x))
    scenes = np.unique(clues.scene)
    for k in range(parts):
        out = np.isin(clues.scene, scenes[k::parts])
        w = fit_weights(clues.x[~out], clues.yellow[~out])
        chance[out] = 1 / (1 + np.exp(-(clues.x[out] @ w[:-1] + w[-1])))
    return chance


def main() -> None:
    """Read the command line, fit, print."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("renders", type=Path)
    clues = gather(ask.parse_args().renders)
    print(f"{len(clues.x)} fruit, {clues.yellow.sum()} yellowing, {len(set(clues.scene))} scenes")
    w = fit_weights(clues.x, clues.yellow)
    print("weights", w[:-1].round(3).tolist(), "offset", round(float(w[-1]), 3))
    chance = left_out(clues)
    for threshold in np.arange(0.2, 0.85, 0.1):
        told = chance >= threshold
        right = float((told & clues.yellow).sum())
        print(
            f"from {threshold:.1f}: precision {right / max(1, told.sum()):.2f} "
            f"recall {right / max(1, clues.yellow.sum()):.2f}"
        )


if __name__ == "__main__":
    main()
