"""The benchmark runs, and its comparisons answer what they should, at tiny size."""

from __future__ import annotations

import numpy as np
import pytest

from fruitcount.evaluate.bench import BenchSettings, blob_stage, exponent, main, scene_of
from fruitcount.evaluate.blob_finders import BLOB_FINDERS
from fruitcount.types import Maps


def test_benchmark_runs_whole(capsys: pytest.CaptureFixture[str]) -> None:
    main(["--quick"])
    text = capsys.readouterr().out
    for words in ("bare JPEG decode", *BLOB_FINDERS, "Growth with megapixels", "Growth with fruit"):
        assert words in text


def test_every_finder_finds_clean_peaks() -> None:
    yy, xx = np.mgrid[:120, :160].astype(np.float32)
    centres = [(30, 30), (80, 60), (120, 90)]
    bumps = [np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / (2 * 4.0**2)) for x, y in centres]
    fruitness = np.max(bumps, axis=0).astype(np.float32)
    none = np.full_like(fruitness, np.nan)
    maps = Maps(fruitness, np.full_like(fruitness, 20.0), none, 2.0, "classical")
    for name, finder in BLOB_FINDERS.items():
        found = max((finder.find(maps, t) for t in finder.thresholds), key=len)
        got = sorted((round((x + 0.5) / 2 - 0.5), round((y + 0.5) / 2 - 0.5))
                     for x, y in zip(found.x_px, found.y_px, strict=True))  # fmt: skip
        for want in centres:
            gap = min(np.hypot(want[0] - x, want[1] - y) for x, y in got)
            assert gap <= 2, name


def test_scene_fills_the_photo() -> None:
    photo, truth = scene_of(0.5, 60)
    assert photo.width_px * photo.height_px == pytest.approx(0.5e6, rel=0.01)
    assert len(truth) == 60


def test_exponent_of_known_growth() -> None:
    assert exponent([(1, 2), (4, 8), (9, 18)]) == pytest.approx(1)
    assert exponent([(1, 2), (4, 4), (16, 8)]) == pytest.approx(0.5)
    assert np.isnan(exponent([(1, 1)]))


def test_blob_table_has_every_finder() -> None:
    rows = blob_stage(BenchSettings(scenes_n=1, repeats_n=1))
    assert set(rows) == set(BLOB_FINDERS)
    assert all(0 <= row["f1"] <= 1 for row in rows.values())
