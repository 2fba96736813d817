"""Fit the weights of yellowing on renders: ``python -m fruitcount.training.yellow_model DIR``.

Prints the weights for :mod:`fruitcount.detect.classify`, with precision and recall by threshold
as each scene is judged by the others. Marks are those of the trained source.
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
from scipy.special import expit, logit

from fruitcount.detect.classify import (
    SMALL_PX,
    YELLOW_FROM,
    cautious,
    fruit_colours,
    joint_clues,
    net_odds,
    with_products,
    yellow_clues,
)
from fruitcount.detect.find import measured
from fruitcount.detect.heatmap import HEATMAPS, DetectSettings
from fruitcount.image.photo import read_photo
from fruitcount.image.quality import photo_light
from fruitcount.training.data import photo_of
from fruitcount.types import BoolArray, FloatArray, Fruitlets, Scale

LEAST_VISIBLE = 0.5
NEAR = 0.7
"""A mark is a fruit's when its centre lies within so many radii of the fruit's."""

LEAN = 0.65
"""Added to the offset of the fit with the net: a chance of 0.55 there is ``YELLOW_FROM`` here. 0.45
would gain a recall of 0.04 for a precision of 0.05."""

PRIOR = 1.0
PRIOR_WITH_NET = 30.0
"""How strongly weights are held to 0, each in units of its clue's own spread; more where products
of clues count too."""


@dataclass(frozen=True, eq=False)
class Clues:
    """Clues of N marks, their scores and radii, the net's log-odds, which are yellowing, scenes."""

    x: FloatArray
    score: FloatArray
    r_px: FloatArray
    net: FloatArray
    yellow: BoolArray
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


def gather(folder: Path, source: str = "trained") -> Clues:
    """Clues of every mark, fruit or not, in the renders below a folder; hidden fruit left out."""
    x, score, r_px, net, yellow, scene = [], [], [], [], [], []
    for path, truth in _photos(folder):
        photo, scale = read_photo(path), _scale(truth)
        maps = HEATMAPS[source](photo.rgb, scale)
        found, sizes, chance = measured(photo, maps, scale, DetectSettings())
        if len(found) == 0 or not truth["fruit"]:
            continue
        light = photo_light(photo.rgb, scale)
        clues = yellow_clues(fruit_colours(sizes.rim), found.r_px, found.score, light)
        counts, sick = _labels(found, truth["fruit"])
        x.append(clues[counts])
        score.append(found.score[counts])
        r_px.append(found.r_px[counts])
        net.append(net_odds(chance)[counts])
        yellow.append(sick[counts])
        scene += [f"{path.parent}/{photo_of(path.stem)}"] * int(counts.sum())
    clues, fruit, radius, odds = (np.concatenate(column) for column in (x, score, r_px, net))
    return Clues(clues, fruit, radius, odds, np.concatenate(yellow), np.array(scene))


def _labels(found: Fruitlets, fruit: list[dict[str, Any]]) -> tuple[BoolArray, BoolArray]:
    """Which marks count (not those of hidden fruit), and which are yellowing fruit."""
    centre = np.array([[f["x"], f["y"]] for f in fruit]).reshape(-1, 2)
    away = np.hypot(found.x_px[:, None] - centre[:, 0], found.y_px[:, None] - centre[:, 1])
    away /= np.array([f["r_px"] for f in fruit])
    hidden = [f["cls"] == "ignore" or f["visible"] < LEAST_VISIBLE for f in fruit]
    sick = [f["cls"] == "yellowing" for f in fruit]
    near = away < NEAR
    nearest = np.array(sick)[away.argmin(axis=1)] & near.any(axis=1)
    return ~near[:, np.array(hidden)].any(axis=1), nearest


def fit_weights(x: FloatArray, yellow: BoolArray, prior: float = PRIOR) -> FloatArray:
    """Ridge logistic regression: weights of the clues, then the offset.

    Parameters
    ----------
    x : float array, shape (N, K)
    yellow : bool array, shape (N,)
    prior : float
        Raising it brings the weights nearer to 0.
    """
    wide = np.column_stack([x, np.ones(len(x))])
    hold = prior * np.append(x.var(axis=0), 0.0)

    def loss(w: FloatArray) -> tuple[float, FloatArray]:
        z = wide @ w
        value = float(np.sum(np.logaddexp(0, z) - yellow * z) + hold @ w**2 / 2)
        slope = wide.T @ (expit(z) - yellow) + hold * w
        return value, slope

    return np.asarray(minimize(loss, np.zeros(wide.shape[1]), jac=True, method="L-BFGS-B").x)


def joint(clues: Clues) -> FloatArray:
    """What the weights with the net are fitted on; 0 where the net does not tell."""
    return with_products(joint_clues(clues.x, clues.score, np.nan_to_num(clues.net)))


def left_out(x: FloatArray, clues: Clues, parts: int = 8, *, prior: float = PRIOR) -> FloatArray:
    """Chance of yellowing of each mark from its row of ``x``, fitted without its scene."""
    chance = np.zeros(len(x))
    scenes = np.unique(clues.scene)
    for k in range(parts):
        out = np.isin(clues.scene, scenes[k::parts])
        w = fit_weights(x[~out], clues.yellow[~out], prior)
        chance[out] = expit(x[out] @ w[:-1] + w[-1])
    return chance


def rates(told: BoolArray, yellow: BoolArray) -> str:
    """Precision and recall in words."""
    right = float((told & yellow).sum())
    return f"precision {right / max(1, told.sum()):.2f} recall {right / max(1, yellow.sum()):.2f}"


def as_shipped(chance: FloatArray, clues: Clues) -> BoolArray:
    """Which marks would be called yellowing, from the chances of the fit with the net."""
    leant = expit(logit(np.clip(chance, 1e-6, 1 - 1e-6)) + LEAN)
    return np.asarray(cautious(leant, clues.score, clues.r_px) >= YELLOW_FROM)


def main() -> None:
    """Read the command line, fit, print."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("renders", type=Path)
    clues = gather(ask.parse_args().renders)
    print(f"{len(clues.x)} marks, {clues.yellow.sum()} yellowing, {len(set(clues.scene))} scenes")
    for name, x, prior in (
        ("clues alone", clues.x, PRIOR),
        ("with score and net", joint(clues), PRIOR_WITH_NET),
    ):
        w = fit_weights(x, clues.yellow, prior)
        print(f"{name}: {w[:-1].round(3).tolist()}, offset {w[-1]:.2f}")
        chance = left_out(x, clues, prior=prior)
        for threshold in np.arange(0.3, 0.75, 0.1):
            print(f"from {threshold:.1f}: {rates(chance >= threshold, clues.yellow)}")
    told, wide = as_shipped(chance, clues), clues.r_px >= SMALL_PX
    print(f"as shipped, offset {w[-1] + LEAN:.2f}: {rates(told, clues.yellow)}")
    print(f"radius from {SMALL_PX:.0f} px: {rates(told[wide], clues.yellow[wide])}")


if __name__ == "__main__":
    main()
