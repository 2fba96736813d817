"""The classical source: features that know their answer, and whole drawn scenes."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from fruitcount.detect.find import find_fruitlets
from fruitcount.detect.heatmap_classical import (
    COEFFICIENTS,
    Layers,
    classical_maps,
    read_coefficients,
)
from fruitcount.detect.heatmap_features import (
    CELL_PX,
    RADII_PX,
    cell_features,
    lab_of,
    light_corrected,
    radial_votes,
)
from fruitcount.errors import ModelUnavailableError
from fruitcount.evaluate.bench_scenes import crowd_of
from fruitcount.evaluate.scores import judge
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.image.opencv import cv2
from fruitcount.types import Scale


@pytest.mark.parametrize("r_px", [6.0, 12.0, 24.0])
@pytest.mark.parametrize("value", [20.0, 90.0])
def test_votes_meet_at_the_centre_at_the_right_radius(r_px: float, value: float) -> None:
    channel = np.full((120, 140), 55.0, np.float32)
    cv2.circle(channel, (70, 60), int(r_px), value, -1)
    votes = radial_votes(cv2.GaussianBlur(channel, (0, 0), 0.8), (60, 70))
    row, col, layer = np.unravel_index(int(votes.argmax()), votes.shape)
    assert abs(row - 60 / CELL_PX) <= 1
    assert abs(col - 70 / CELL_PX) <= 1
    assert RADII_PX[layer] == pytest.approx(r_px, rel=0.45)


def test_a_plain_picture_gives_no_votes() -> None:
    assert radial_votes(np.full((40, 50), 3.0, np.float32), (20, 25)).max() == 0


def test_light_correction_halves_a_cast() -> None:
    photo = np.full((20, 20, 3), (140, 100, 100), np.uint8)
    red, green, blue = light_corrected(photo)[0, 0].astype(float)
    assert 1.0 < red / green < 1.4
    assert blue / green == pytest.approx(1.0, abs=0.02)


def test_dark_and_bright_photos_come_out_alike() -> None:
    photo = np.random.default_rng(1).integers(60, 200, (40, 40, 3)).astype(np.uint8)
    dark = (photo * 0.5).astype(np.uint8)
    one, other = light_corrected(photo), light_corrected(dark)
    assert abs(float(one.mean()) - float(other.mean())) < 3


def test_every_cell_has_finite_features() -> None:
    rng = np.random.default_rng(2)
    for shape in ((31, 45, 3), (2, 2, 3), (200, 3, 3)):
        photo = rng.integers(0, 256, shape).astype(np.uint8)
        features = cell_features(lab_of(photo))
        assert features.shape[:2] == ((shape[0] + 1) // 2, (shape[1] + 1) // 2)
        assert np.isfinite(features).all()


def test_a_layer_pair_is_what_its_formula_says() -> None:
    layers = Layers(
        middle=np.array([1.0, 0.0], np.float32),
        spread=np.array([2.0, 1.0], np.float32),
        first=np.array([[1.0, -1.0], [0.0, 1.0]], np.float32),
        first_bias=np.zeros(2, np.float32),
        second=np.array([[1.0], [10.0]], np.float32),
        second_bias=np.array([0.5], np.float32),
    )
    # ((3 - 1) / 2, 4) = (1, 4); hidden = (1, 3); out = 1 + 30 + 0.5
    assert layers(np.array([[3.0, 4.0]], np.float32)).tolist() == [[31.5]]


def test_columns_in_one_piece_give_the_same() -> None:
    layers = read_coefficients()[0]
    k = len(layers.middle)
    x = layers.middle + 5 * layers.spread * np.random.default_rng(3).normal(size=(1300, k))
    x = x.astype(np.float32)
    planes = layers.on_planes(np.ascontiguousarray(x.T)).T
    assert planes == pytest.approx(layers(x), rel=1e-4, abs=1e-3)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"first": {}, "second": {}}'])
def test_damaged_coefficients_are_named(tmp_path: Path, text: str) -> None:
    path = tmp_path / "classical.json"
    path.write_text(text)
    with pytest.raises(ModelUnavailableError, match="coefficients"):
        read_coefficients(path)


def test_shapes_that_do_not_fit_are_refused() -> None:
    record = json.loads(COEFFICIENTS.read_text(encoding="utf-8"))["first"]
    record["middle"] = record["middle"][:-1]
    with pytest.raises(ModelUnavailableError, match="fit"):
        Layers.from_record(json.loads(json.dumps(record)))


@pytest.mark.parametrize("light", ["sun", "shade", "dusk"])
def test_drawn_limbs_are_counted(light: str) -> None:
    scale = Scale(px_per_mm=2.4, rel_sd_frac=0.01)
    hits = false = missed = 0
    for seed in range(3):
        photo, truth = draw_scene(seed, SceneSettings(light=light))
        found = find_fruitlets(photo, classical_maps(photo.rgb, scale), scale)
        matching = judge(truth, found, threshold=0.0).matching
        hits += matching.hits_n
        false += matching.false_n
        missed += matching.missed_n
    assert 2 * hits / (2 * hits + false + missed) > 0.9


def test_a_crowd_is_counted_as_well_as_a_few() -> None:
    """Ten times the fruit in one photo, ten times the marks: no limit cuts the crowd short."""
    found = {}
    for fruit_n in (64, 640):
        photo, px_per_mm = crowd_of(fruit_n, tiles_n=64)
        scale = Scale(px_per_mm=px_per_mm)
        found[fruit_n] = len(find_fruitlets(photo, classical_maps(photo.rgb, scale), scale))
    assert 8 < found[640] / found[64] < 12.5
