"""The yellowing weights: a known rule is found again, and no scene judges itself."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.training.yellow_model import (
    Clues,
    as_shipped,
    fit_weights,
    gather,
    joint,
    left_out,
    rates,
)
from fruitcount.types import Kind


def test_a_known_rule_is_found_again() -> None:
    rng = np.random.default_rng(1)
    x = rng.normal(0, 1, (4000, 3))
    truth = np.array([2.0, -1.0, 0.0, -0.5])  # weights, then the offset
    chance = 1 / (1 + np.exp(-(x @ truth[:3] + truth[3])))
    w = fit_weights(x, rng.random(4000) < chance)
    # Standard error of a weight here is about 0.06.
    assert w == pytest.approx(truth, abs=0.25)


def test_a_scene_is_judged_by_the_others() -> None:
    rng = np.random.default_rng(2)
    x = rng.normal(0, 1, (240, 2))
    yellow = x[:, 0] > 0
    scene = np.repeat([f"s{k}" for k in range(12)], 20)
    odd = scene == "s0"
    lied = np.where(odd, ~yellow, yellow)  # a scene labelled upside down
    chance = left_out(x, Clues(x, np.ones(240), np.full(240, 20.0), np.zeros(240), lied, scene))
    assert np.mean((chance[odd] > 0.5) == yellow[odd]) > 0.85


def test_clues_are_read_from_a_folder_of_renders(tmp_path: Path) -> None:
    photo, truth = draw_scene(5, SceneSettings(yellowing_frac=0.4, fruit_n=12))
    Image.fromarray(photo.rgb).save(tmp_path / "s1_0.png")
    fruit = [
        {
            "x": float(truth.x_px[i]),
            "y": float(truth.y_px[i]),
            "r_px": float(truth.r_px[i]),
            "visible": float(truth.visible_frac[i]),
            "cls": "yellowing" if truth.kind[i] == Kind.YELLOWING else "green",
        }
        for i in range(len(truth))
    ]
    record = {"photos": [{"image": "s1_0.png", "px_per_mm": 2.4, "card": None, "fruit": fruit}]}
    (tmp_path / "truth.json").write_text(json.dumps(record))
    clues = gather(tmp_path, "classical")
    assert len(clues.x) >= 3
    assert clues.yellow.any()
    assert clues.x.shape[1] == 4
    assert np.isnan(clues.net).all()  # the classical source tells no yellowing
    assert joint(clues).shape == (len(clues.x), 27)
    assert np.isfinite(joint(clues)).all()
    yellow, green = clues.x[clues.yellow].mean(0), clues.x[~clues.yellow].mean(0)
    assert yellow[0] > green[0]  # redder against green light
    assert yellow[1] < green[1]  # smaller


def test_rates_count_what_was_told_and_what_there_was() -> None:
    told = np.array([True, True, True, False, False])
    yellow = np.array([True, False, True, True, True])
    assert rates(told, yellow) == "precision 0.67 recall 0.50"
    assert rates(told & False, yellow) == "precision 0.00 recall 0.00"


def test_marks_are_called_as_the_shipped_rule_would() -> None:
    chance = np.array([0.5, 0.6, 0.6, 0.6])
    score, r_px = np.array([0.9, 0.9, 0.4, 0.9]), np.array([20.0, 20.0, 20.0, 5.0])
    nothing = np.zeros(4)
    clues = Clues(np.zeros((4, 4)), score, r_px, nothing, nothing > 0, nothing.astype(str))
    assert as_shipped(chance, clues).tolist() == [False, True, False, False]
