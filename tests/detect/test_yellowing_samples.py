"""Yellowing on path-traced limbs with a card, whose classes are exact."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fruitcount.detect.find import find_fruitlets
from fruitcount.detect.heatmap_cnn import model_path, trained_maps
from fruitcount.evaluate.scores import judge
from fruitcount.evaluate.truth import read_truth
from fruitcount.image.card import find_card
from fruitcount.image.photo import read_photo
from fruitcount.types import Kind

SAMPLES = Path(__file__).parents[2] / "sample_images"

pytestmark = pytest.mark.skipif(not model_path().is_file(), reason="no trained model file")


def told_of(name: str) -> tuple[np.ndarray, np.ndarray]:
    """True and told kinds of the fruit that were asked for and found."""
    truth = next(t for t in read_truth(SAMPLES) if t.name == name)
    photo = read_photo(SAMPLES / name)
    scale = find_card(photo)
    found = find_fruitlets(photo, trained_maps(photo.rgb, scale), scale)
    matching = judge(truth, found, threshold=0.35).matching
    pairs = [(t, k) for k, t in enumerate(matching.truth_of) if t >= 0 and matching.asked[t]]
    fruit, mark = np.array(pairs).T
    return truth.kind[fruit], found.kind[mark]


def test_most_yellowing_fruit_are_told_and_no_green_one() -> None:
    true, told = told_of("peach-yellowing.jpg")
    sick = true == Kind.YELLOWING
    assert sick.sum() == 4
    assert (told[sick] == Kind.YELLOWING).sum() >= 3
    assert not (told[~sick] == Kind.YELLOWING).any()


@pytest.mark.parametrize("name", ["cherry-bunches.jpg", "apricot-spur.jpg"])
def test_sunlit_green_fruit_stay_fruit(name: str) -> None:
    true, told = told_of(name)
    assert not (true == Kind.YELLOWING).any()
    assert not (told == Kind.YELLOWING).any()
