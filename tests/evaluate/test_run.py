"""Judging a folder end to end, on drawn photos and stand-in detectors."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fruitcount.errors import BadInputError, BadTruthError, PhotoUnreadableError
from fruitcount.evaluate.completeness import completeness_curve
from fruitcount.evaluate.details import rows_by
from fruitcount.evaluate.inject import Injected
from fruitcount.evaluate.known import Truth
from fruitcount.evaluate.light import measured_light
from fruitcount.evaluate.pictures import draw_completeness
from fruitcount.evaluate.predictors import circles_predictor, pipeline_predictor
from fruitcount.evaluate.report import report_json, report_text
from fruitcount.evaluate.run import (
    EvaluateSettings,
    evaluate_folder,
    source_photo,
    worst,
    write_report,
)
from fruitcount.evaluate.scores import judge
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene, fruitlets_of
from fruitcount.export.record import write_coco
from fruitcount.measurement_record import CocoPhoto
from fruitcount.pipeline import CountSettings
from fruitcount.types import Fruitlets, Limb, Measurement, Scale

SMALL = SceneSettings(width_px=360, height_px=240, px_per_mm=0.9, fruit_n=8, leaf_n=20)


def seen_of(truth: Truth, fruitlets: Fruitlets) -> Measurement:
    size = (truth.width_px, truth.height_px)
    limb = Limb(
        line_px=truth.limb_line_px,
        length_mm=truth.limb_length_mm * 1.1,
        base_diameter_mm=truth.base_diameter_mm,
    )
    scale = Scale(px_per_mm=truth.px_per_mm * 0.98, source="card")
    return Measurement(truth.name, "", *size, None, scale, fruitlets, limb)


@pytest.fixture
def drawn(tmp_path: Path) -> tuple[Path, dict[str, Truth]]:
    """Three drawn photos with their truth as COCO."""
    folder = tmp_path / "drawn set"
    folder.mkdir()
    truths = {}
    for seed in range(3):
        photo, truth = draw_scene(seed, SMALL)
        Image.fromarray(photo.rgb).save(folder / photo.name)
        truths[photo.name] = truth
    everything = [seen_of(t, fruitlets_of(t, asked_only=False)) for t in truths.values()]
    write_coco([CocoPhoto(each) for each in everything], folder / "notes.json")
    return folder, truths


def test_perfect_and_blind_detectors(drawn: tuple[Path, dict[str, Truth]]) -> None:
    folder, truths = drawn
    every = {n: fruitlets_of(t, asked_only=False) for n, t in truths.items()}
    perfect = evaluate_folder(folder, lambda path: every[path.name])
    assert perfect.tally.f1 == 1.0
    assert perfect.counts.median_abs_frac == 0
    assert worst(perfect) == []
    blind = evaluate_folder(folder, lambda path: Fruitlets.empty())
    assert blind.tally.recall == 0
    assert blind.counts.bias_frac == -1
    assert len(worst(blind, 2)) == 2


def test_seen_is_compared_with_limb_and_scale(drawn: tuple[Path, dict[str, Truth]]) -> None:
    _, truths = drawn
    from fruitcount.evaluate.limb_scores import limb_errors

    measurement = [seen_of(t, fruitlets_of(t)) for t in truths.values()]
    known = list(truths.values())
    assert limb_errors(measurement, known)["length"].median_signed_frac == pytest.approx(0.1)
    assert limb_errors(measurement, known)["base_diameter"].median_abs_frac == 0
    assert limb_errors(measurement, known)["px_per_mm"].median_signed_frac == pytest.approx(-0.02)
    assert limb_errors([None] * 3, known)["px_per_mm"].n == 0


def test_our_own_errors_are_listed_and_others_stop(drawn: tuple[Path, dict[str, Truth]]) -> None:
    folder, _ = drawn

    def unreadable(path: Path) -> Fruitlets:
        raise PhotoUnreadableError(path.name, "is not a photo")

    def broken(path: Path) -> Fruitlets:
        raise ZeroDivisionError

    result = evaluate_folder(folder, unreadable)
    assert [f.name for f in result.failures] == ["drawn-0.png", "drawn-1.png", "drawn-2.png"]
    assert "is not a photo" in report_text([result])
    with pytest.raises(ZeroDivisionError):
        evaluate_folder(folder, broken)


def test_missing_photo_is_named(drawn: tuple[Path, dict[str, Truth]]) -> None:
    folder, _ = drawn
    (folder / "drawn-1.png").unlink()
    with pytest.raises(BadTruthError, match=r"drawn-1\.png"):
        evaluate_folder(folder, lambda path: Fruitlets.empty())


def test_report_files(drawn: tuple[Path, dict[str, Truth]], tmp_path: Path) -> None:
    folder, truths = drawn
    half = {n: fruitlets_of(t).take(slice(0, 3)) for n, t in truths.items()}
    steps: list[tuple[int, int]] = []
    result = evaluate_folder(
        folder,
        lambda path: seen_of(truths[path.name], half[path.name]),
        settings=EvaluateSettings(threshold=0.5, most_photos_n=2),
        progress=lambda done, total: steps.append((done, total)),
    )
    assert steps == [(1, 2), (2, 2)]
    written = write_report([result], [folder], tmp_path / "out", worst_n=1)
    assert [p.suffix for p in written] == [".json", ".txt", ".png", ".jpg"]
    record = json.loads(written[0].read_text())["sets"][0]
    assert record["set"] == "drawn set"
    assert record["precision"] == 1.0
    assert record["photos_n"] == 2
    assert record["recall_by"]["crowding"]
    assert "drawn set" in written[1].read_text()
    for path in written[2:]:
        picture = np.asarray(Image.open(path))
        assert picture.shape[2] == 3
        assert picture.std() > 5


def test_json_holds_no_nan() -> None:
    from fruitcount.evaluate.report import score_set

    text = report_json([score_set("nothing", [], [], threshold=0.5)])
    assert json.loads(text)["sets"][0]["f1"] is None


def test_tiles_share_a_source_photo() -> None:
    assert source_photo("IMGP8620_27.jpg") == source_photo("IMGP8620_3.jpg") == "IMGP8620"
    assert source_photo("0221.jpg") == "0221"


def test_predictor_by_name(drawn: tuple[Path, dict[str, Truth]]) -> None:
    folder, _ = drawn
    with pytest.raises(BadInputError, match="source"):
        circles_predictor("guess")
    result = evaluate_folder(folder, circles_predictor("classical"))
    assert len(result.judged) == 3
    assert np.isfinite(result.curve.average_precision)


def test_whole_measurement_as_predictor(drawn: tuple[Path, dict[str, Truth]]) -> None:
    folder, _ = drawn
    settings = CountSettings(source="classical", min_score=0.6)
    judged = EvaluateSettings(threshold=0.6, most_photos_n=1)
    short = evaluate_folder(folder, pipeline_predictor(settings), settings=judged)
    whole = evaluate_folder(folder, pipeline_predictor(settings, whole_curve=True), settings=judged)
    assert short.tally == whole.tally
    assert whole.curve.recall[-1] >= short.curve.recall[-1]
    assert len(whole.judged[0].all_found) > len(short.judged[0].all_found)
    assert whole.measurement[0] is not None


def test_photos_by_condition() -> None:
    truths = [draw_scene(i, SMALL)[1] for i in range(2)]
    judged = [judge(truths[0], fruitlets_of(truths[0])), judge(truths[1], Fruitlets.empty())]
    assert rows_by(judged, "light") == {"sun": [0, 1]}
    assert sorted(k for rows in rows_by(judged, "usual fruit").values() for k in rows) == [0, 1]
    assert set(rows_by(judged, "limb's base")) <= {"in the photo", "outside it"}


def test_completeness_picture() -> None:
    run = Injected(*(np.arange(12.0) for _ in range(4)), np.arange(12) > 5, np.zeros(12, bool))
    picture = draw_completeness(completeness_curve([run], bins_n=3))
    assert picture.shape == (640, 920, 3)
    assert picture.std() > 5


@pytest.mark.parametrize(
    ("paint", "word"),
    [
        (lambda rgb: rgb.fill(90), "even"),
        (lambda rgb: rgb.fill(20), "dark"),
        (lambda rgb: (rgb.fill(200), rgb[:40].fill(10)), "high contrast"),
        (lambda rgb: (rgb.fill(90), rgb[:30].fill(255)), "much sky or glare"),
    ],
)
def test_measured_light(paint: object, word: str) -> None:
    rgb = np.zeros((100, 80, 3), np.uint8)
    paint(rgb)  # type: ignore[operator]
    assert measured_light(rgb) == word


def test_light_is_measured_where_it_is_not_told(drawn: tuple[Path, dict[str, Truth]]) -> None:
    folder, _ = drawn
    result = evaluate_folder(folder, lambda path: Fruitlets.empty())
    assert set(rows_by(result.judged, "light")) <= {"even", "dark", "high contrast"}
    plain = evaluate_folder(
        folder, lambda path: Fruitlets.empty(), settings=EvaluateSettings(measure_light=False)
    )
    assert rows_by(plain.judged, "light") == {}


def test_only_held_back_photos(drawn: tuple[Path, dict[str, Truth]]) -> None:
    folder, _ = drawn
    settings = EvaluateSettings(keep=lambda name: name == "drawn-1")
    result = evaluate_folder(folder, lambda path: Fruitlets.empty(), settings=settings)
    assert [j.truth.name for j in result.judged] == ["drawn-1.png"]
    nobody = EvaluateSettings(keep=lambda name: False)
    assert evaluate_folder(folder, lambda path: Fruitlets.empty(), settings=nobody).judged == ()
