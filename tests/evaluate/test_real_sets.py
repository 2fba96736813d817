"""The detectors on a few real photos each: a guard against falling back, not the measurement.

The measurement is the accuracy table, over all held-back photos; the floors here lie below it, so
that the small number of tiles does not matter.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers import photos_folder

from fruitcount.detect.heatmap import SHIPPED_THRESHOLD
from fruitcount.detect.heatmap_cnn import model_path
from fruitcount.evaluate.predictors import circles_predictor
from fruitcount.evaluate.run import EvaluateSettings, evaluate_folder
from fruitcount.types import Fruitlets, Kind

# Least F1 at the shipped threshold on six tiles.
FLOORS = {
    "trained": {"cherry-fruitlets-bbch72": 0.6, "cherry-bbch81": 0.65},
    "classical": {"cherry-bbch81": 0.1},
}


@pytest.mark.photos
@pytest.mark.slow
@pytest.mark.parametrize(
    ("source", "name"), [(source, name) for source in FLOORS for name in FLOORS[source]]
)
def test_has_not_fallen_back(source: str, name: str) -> None:
    if source == "trained" and not Path(model_path()).is_file():
        pytest.skip("no trained model in this checkout")
    detect, marks = circles_predictor(source, threshold=SHIPPED_THRESHOLD[source]), {}

    def predict(path: Path) -> Fruitlets:
        marks[path] = detect(path)
        return marks[path]

    settings = EvaluateSettings(threshold=SHIPPED_THRESHOLD[source], most_photos_n=6)
    result = evaluate_folder(photos_folder(name), predict, settings=settings)
    assert not result.failures
    assert result.tally.f1 >= FLOORS[source][name]
    if (source, name) == ("trained", "cherry-bbch81"):
        _assert_green([kind for fruit in marks.values() for kind in fruit.kind])


def _assert_green(kinds: list[int]) -> None:
    # What the annotation holds is sound fruit; every fruit told as yellowing is a false alarm.
    assert len(kinds) >= 30
    assert kinds.count(Kind.YELLOWING) <= len(kinds) // 20


@pytest.mark.photos
def test_phone_photos_are_read_with_their_light_and_limbs() -> None:
    from fruitcount.evaluate.truth import read_truth

    truths = read_truth(photos_folder("peach-phone"))
    assert {t.light for t in truths} >= {"sun", "shade", "backlight"}
    assert all(len(t.limb_line_px) >= 2 for t in truths)
    assert sum(t.asked_n for t in truths) > 30


@pytest.mark.photos
@pytest.mark.slow
def test_green_fruit_of_real_photos_is_not_called_yellowing() -> None:
    predict = circles_predictor("trained", threshold=SHIPPED_THRESHOLD["trained"])
    tiles = sorted(photos_folder("pear").glob("*.jpg"))
    _assert_green([kind for tile in tiles[:: len(tiles) // 9] for kind in predict(tile).kind])
