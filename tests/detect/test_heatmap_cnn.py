"""The trained source on path-traced limbs with exact truth, and its faults told plainly."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fruitcount.detect import heatmap_cnn as trained
from fruitcount.detect.find import find_fruitlets
from fruitcount.detect.heatmap_cnn import model_path, trained_maps
from fruitcount.errors import ModelUnavailableError
from fruitcount.evaluate.scores import judge, tally
from fruitcount.evaluate.truth import read_truth
from fruitcount.image.opencv import MOST_PIXELS
from fruitcount.image.photo import read_photo
from fruitcount.types import Scale
from fruitcount.whole_photo import asked

SAMPLES = Path(__file__).parents[2] / "sample_images"
needs_model = pytest.mark.skipif(not model_path().is_file(), reason="no trained model file")


@needs_model
@pytest.mark.parametrize("known", [True, False])
def test_fruit_of_a_sample_limb_are_found_and_sized(known: bool) -> None:
    truth = next(t for t in read_truth(SAMPLES) if t.name == "peach-18in-crowded.jpg")
    photo = read_photo(SAMPLES / truth.name)
    scale = Scale(px_per_mm=truth.px_per_mm, source="two points") if known else Scale()
    found = find_fruitlets(photo, trained_maps(photo.rgb, scale), scale)
    judged = judge(truth, found, threshold=0.35)
    told = tally([judged])
    assert told.recall >= 0.85
    assert told.precision >= 0.85
    pairs = [(k, t) for k, t in enumerate(judged.matching.truth_of) if t >= 0]
    error = [np.log(found.r_px[k] / truth.r_px[t]) for k, t in pairs]
    assert float(np.median(np.abs(error))) < 0.08


@needs_model
def test_a_mirrored_photo_gives_mirrored_maps() -> None:
    rgb = read_photo(SAMPLES / "apricot-spur.jpg").rgb[500:1012, 600:1240]
    # 38 working pixels for 15 mm: at this scale the working picture is the photo itself.
    scale = Scale(px_per_mm=38 / 15, source="two points")
    maps = trained_maps(rgb, scale)
    other = trained_maps(np.ascontiguousarray(rgb[:, ::-1]), scale)
    assert maps.heatmap.shape == (256, 320)
    assert maps.px_per_cell == pytest.approx(2.0)
    assert np.abs(maps.heatmap - other.heatmap[:, ::-1]).max() < 0.01


@needs_model
@pytest.mark.parametrize(
    ("px_per_mm", "looks_n"),
    # working pictures of 1.28 megapixels, in the mirror too, and of 1.69
    [(float("nan"), 2), (26 / 15, 2), (0.8 * 26 / 15, 1)],
)
def test_the_fruit_nets_looks_at_a_photo_hold_to_the_limit(
    px_per_mm: float, looks_n: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Our choice of time; the edges that fill a look up to a multiple of 32 come on top."""
    rgb = read_photo(SAMPLES / "peach-18in-crowded.jpg").rgb[300:1200, 400:1600]
    looked = []

    def noted(net: object, picture: np.ndarray, names: tuple[str, ...]) -> list[np.ndarray]:
        looked.append(picture[..., 0].size)
        return asked(net, picture, names)

    monkeypatch.setattr(trained, "asked", noted)
    known = np.isfinite(px_per_mm)
    trained_maps(rgb, Scale(px_per_mm, source="two points") if known else Scale())
    assert sum(looked) <= 1.1 * MOST_PIXELS
    assert len(looked) == looks_n


@pytest.mark.parametrize("content", [None, b"not a net"])
def test_a_missing_or_damaged_model_is_named(
    content: bytes | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "fruit_net.onnx"
    if content is not None:
        path.write_bytes(content)
    monkeypatch.setattr(trained, "model_path", lambda: path)
    with pytest.raises(ModelUnavailableError, match=r"fruit_net\.onnx"):
        trained_maps(np.zeros((64, 64, 3), np.uint8), Scale())
