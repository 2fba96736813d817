"""Every heatmap source and every exporter through the same checks."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from fruitcount.detect.find import find_fruitlets
from fruitcount.detect.heatmap import HEATMAPS, SHIPPED_THRESHOLD, DetectSettings
from fruitcount.errors import ModelUnavailableError
from fruitcount.evaluate.scores import judge, tally
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.export import EXPORTS
from fruitcount.pipeline import CountSettings, Result, count_limb, decide
from fruitcount.types import Fruitlets, Limb, Maps, Photo, Scale

SCENE = SceneSettings(width_px=640, height_px=420, px_per_mm=1.6, fruit_n=10, leaf_n=60)


def maps_of(source: str, rgb: np.ndarray, scale: Scale) -> Maps:
    try:
        return HEATMAPS[source](rgb, scale)
    except ModelUnavailableError as error:
        pytest.skip(f"no trained model here: {error}")


def flat(width: int, height: int, value: int) -> np.ndarray:
    return np.full((height, width, 3), value, np.uint8)


PHOTOS = {
    "small": flat(64, 48, 90),
    "narrow": flat(333, 40, 90),
    "black": flat(200, 150, 0),
    "white": flat(200, 150, 255),
    "noise": np.random.default_rng(0).integers(0, 256, (150, 210, 3)).astype(np.uint8),
    "drawn": draw_scene(1, SCENE)[0].rgb,
}
SCALES = {"no scale": Scale(), "scale": Scale(px_per_mm=1.6, rel_sd_frac=0.01, source="card")}


@pytest.mark.parametrize("scale", SCALES)
@pytest.mark.parametrize("photo", PHOTOS)
@pytest.mark.parametrize("source", sorted(HEATMAPS))
def test_maps_keep_their_promises(source: str, photo: str, scale: str) -> None:
    rgb = PHOTOS[photo]
    before = rgb.copy()
    maps = maps_of(source, rgb, SCALES[scale])
    np.testing.assert_array_equal(rgb, before)
    assert maps.source == source
    shape = maps.heatmap.shape
    assert maps.radius_px.shape == maps.wood.shape == shape
    assert maps.yellow.shape in (shape, (0, 0))
    for grid in (maps.heatmap, maps.radius_px, maps.wood, maps.yellow):
        assert grid.dtype == np.float32
    assert np.isfinite(maps.heatmap).all()
    assert maps.heatmap.min() >= 0
    assert maps.heatmap.max() <= 1
    told = maps.radius_px[np.isfinite(maps.radius_px)]
    assert (told > 0).all()
    # The grid covers the photo, to within the net's padding and a cell's rounding.
    covered = np.array(shape) * maps.px_per_cell
    assert (covered >= np.array(rgb.shape[:2]) - 1.5 * maps.px_per_cell).all()
    assert (covered <= np.array(rgb.shape[:2]) + 1.5 * maps.px_per_cell).all()


@pytest.mark.parametrize("photo", PHOTOS)
@pytest.mark.parametrize("source", sorted(HEATMAPS))
def test_marks_keep_their_promises(source: str, photo: str) -> None:
    rgb, scale = PHOTOS[photo], SCALES["scale"]
    maps = maps_of(source, rgb, scale)
    settings = DetectSettings(threshold=0.2)
    found = find_fruitlets(Photo(rgb), maps, scale, settings)
    assert (np.isfinite(found.x_px) & np.isfinite(found.y_px)).all()
    assert (found.r_px > 0).all()
    assert ((found.x_px >= -0.5) & (found.x_px <= rgb.shape[1] - 0.5)).all()
    assert ((found.y_px >= -0.5) & (found.y_px <= rgb.shape[0] - 0.5)).all()
    assert ((found.score >= 0.2) & (found.score <= 1)).all()
    assert (np.diff(found.score) <= 0).all()
    # across the narrow way: never more than the circle, and stone fruit are no needles
    circle_mm = 2 * found.r_px / 1.6
    assert (found.diameter_mm <= circle_mm * (1 + 1e-9)).all()
    assert (found.diameter_mm >= 0.75 * circle_mm).all()
    assert (found.diameter_sd_mm > 0).all()
    again = find_fruitlets(Photo(rgb), maps_of(source, rgb, scale), scale, settings)
    np.testing.assert_array_equal(again.x_px, found.x_px)
    higher = find_fruitlets(Photo(rgb), maps, scale, DetectSettings(threshold=0.6))
    assert len(higher) <= len(found)


@pytest.mark.parametrize("source", sorted(HEATMAPS))
def test_most_drawn_fruit_is_found(source: str) -> None:
    photo, truth = draw_scene(1, SCENE)
    scale = SCALES["scale"]
    maps = maps_of(source, photo.rgb, scale)
    judged = judge(truth, find_fruitlets(photo, maps, scale, DetectSettings(threshold=0.2)))
    assert tally([judged]).recall >= 0.5


@pytest.mark.parametrize("source", sorted(HEATMAPS))
def test_a_source_has_its_lowest_score(source: str) -> None:
    # Needed by `evaluate` and by the screen's doubtful marks.
    assert 0 < SHIPPED_THRESHOLD[source] < 1


@cache
def results() -> dict[str, Result]:
    photo, _ = draw_scene(2, SCENE)
    whole = count_limb(photo, CountSettings(source="classical"))
    seen = replace(whole.measurement, name="ä & <b>.png")
    bare = replace(seen, fruitlets=Fruitlets.empty(), limb=Limb(), scale=Scale())
    cardless, _ = draw_scene(2, replace(SCENE, card_id=-1))
    unscaled = count_limb(cardless, CountSettings(source="classical"))
    fruit = unscaled.measurement.fruitlets
    assert len(fruit)
    assert np.isnan(fruit.diameter_mm).all()
    return {
        "whole": Result(seen, decide(seen)),
        "nothing": Result(bare, decide(bare)),
        "no scale": unscaled,
    }


@pytest.mark.parametrize("which", ["whole", "nothing", "no scale"])
@pytest.mark.parametrize("name", sorted(EXPORTS))
def test_exports_keep_their_promises(name: str, which: str, tmp_path: Path) -> None:
    export, result = EXPORTS[name], results()[which]
    assert export.ending.startswith(".")
    taken = [".json", *(other.ending for other in EXPORTS.values())]  # .json: the record
    assert taken.count(export.ending) == 1, "an ending of its own"
    first, second = tmp_path / f"a{export.ending}", tmp_path / f"b{export.ending}"
    export.write(result, first)
    export.write(result, second)
    data = first.read_bytes()
    assert data == second.read_bytes(), "writing twice must give the same bytes"
    if export.ending.endswith(".json"):
        json.loads(data, parse_constant=pytest.fail)
    elif export.ending.endswith(".xml"):
        ElementTree.fromstring(data)  # noqa: S314  (made by the writer under test)
    elif export.ending.endswith((".txt", ".csv")):
        assert not re.search(r"\bnan\b", data.decode("utf-8"), re.IGNORECASE)
