"""Bands: end to end, equally large, and the answer is that of the whole picture.

No outside source: the whole picture in one go is what the bands are held against.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fruitcount.detect import heatmap_cnn as trained
from fruitcount.detect.heatmap_cnn import (
    HALO_PX,
    MOST_AT_ONCE,
    STEP_PX,
    bands_of,
    in_bands,
    model_path,
)
from fruitcount.image.opencv import cv2, net_at
from fruitcount.image.photo import read_photo

SAMPLES = Path(__file__).parents[2] / "sample_images"


@given(st.integers(1, 150), st.integers(1, 60), st.floats(3e5, 3e6))
def test_bands_lie_end_to_end_with_a_halo_at_every_seam(
    steps: int, short_steps: int, most_px: float
) -> None:
    length, short = steps * STEP_PX, short_steps * STEP_PX
    bands = bands_of(length, short, most_px=most_px)
    assert bands[0].told_from_px == 0
    assert bands[-1].told_to_px == length
    assert len({b.stop_px - b.start_px for b in bands}) == 1
    for b in bands:
        assert 0 <= b.start_px <= b.told_from_px < b.told_to_px <= b.stop_px <= length
        assert b.start_px % STEP_PX == 0
    for one, other in pairwise(bands):
        assert one.told_to_px == other.told_from_px
        assert one.stop_px - one.told_to_px >= min(HALO_PX, length - one.told_to_px)
        assert other.told_from_px - other.start_px >= min(HALO_PX, other.told_from_px)
    if len(bands) == 1 and length * short > most_px:
        # too broad for any band to hold to it
        assert min(length, STEP_PX + HALO_PX) * short > most_px


def test_no_more_bands_than_needed() -> None:
    assert len(bands_of(1664, 1248)) == 1  # the 12-megapixel sample, within its time
    (one, other) = bands_of(1888, 1408)  # the largest working picture of a 4:3 photo
    assert (one.stop_px - one.start_px) * 1408 <= MOST_AT_ONCE
    assert other.start_px > 0


@pytest.mark.parametrize("turned", [False, True])
def test_what_reaches_no_farther_than_the_halo_is_told_exactly(turned: bool) -> None:
    shapes = []

    def look(picture: np.ndarray) -> np.ndarray:
        shapes.append(picture.shape)
        cells = picture[::4, ::4].astype(np.float32).sum(axis=2)
        side = 2 * (HALO_PX // 4) + 1
        near = cv2.boxFilter(cells, cv2.CV_32F, (side, side), normalize=False)
        return np.stack([cells, np.round(near)])

    rng = np.random.default_rng(0)
    picture = rng.integers(0, 4, (320, 1600, 3)).astype(np.uint8)
    picture = np.ascontiguousarray(picture.transpose(1, 0, 2)) if turned else picture
    whole = look(picture)
    shapes.clear()
    told = in_bands(look, picture, stride_px=4, most_px=320 * 900)
    assert len(shapes) > 2
    assert len(set(shapes)) == 1
    assert np.array_equal(told, whole)


@pytest.mark.skipif(not model_path().is_file(), reason="no trained model file")
@pytest.mark.parametrize("name", ["plum-clusters.jpg", "peach-34in-heavy.jpg"])
def test_the_seam_does_not_show_in_the_net_s_answer(name: str) -> None:
    """Heatmap within 0.01 (measured: 0.003) of the one pass over the whole picture."""
    rgb = cv2.resize(read_photo(SAMPLES / name).rgb, None, fx=0.36, fy=0.36)
    rows, cols = (n // 32 * 32 for n in rgb.shape[:2])
    picture = np.ascontiguousarray(rgb[:rows, :cols])
    net = net_at(model_path())

    def chance(picture: np.ndarray) -> np.ndarray:
        return 1 / (1 + np.exp(-trained.asked(net, picture, ("maps",))[0][:4]))

    whole = chance(picture)
    assert len(bands_of(max(rows, cols), min(rows, cols), most_px=1.2e6)) == 2
    told = in_bands(chance, picture, stride_px=4, most_px=1.2e6)
    assert whole.max() > 0.5
    assert np.abs(told - whole).max() < 0.01
