"""The whole measurement on the bundled photographs, against their exact truth.

The truth comes from the path tracer that made them, not from anything measured: card corners,
limb line and fruit are projected, and visible shares are counted from an id picture. Bands are
the project's own acceptance limits.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from fruitcount.detect.heatmap import default_source
from fruitcount.evaluate.scores import judge, tally
from fruitcount.evaluate.truth import read_truth
from fruitcount.files import sample_folder
from fruitcount.image.photo import read_photo
from fruitcount.pipeline import decide, measure
from fruitcount.plan.inputs import GrowerInputs

FOLDER = sample_folder()
TRUTHS = read_truth(FOLDER)
SPECIES = {
    p["image"]: p["species"]
    for p in json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))["photos"]
}


@pytest.fixture(scope="module")
def seen():
    return {truth.name: measure(read_photo(FOLDER / truth.name)) for truth in TRUTHS}


@pytest.fixture(scope="module")
def judged(seen):
    return {t.name: judge(t, seen[t.name].fruitlets, threshold=0.0) for t in TRUTHS}


def test_at_least_twelve_and_not_too_heavy():
    photos = list(FOLDER.glob("*.jpg"))
    assert len(photos) >= 12
    assert sum(p.stat().st_size for p in FOLDER.iterdir()) < 15e6
    assert {p.name for p in photos} == {t.name for t in TRUTHS}


def test_the_trained_source_is_the_default():
    assert default_source() == "trained"


@pytest.mark.parametrize("truth", TRUTHS, ids=lambda t: t.name)
def test_card_is_found_and_scale_is_right(truth, seen):
    scale = seen[truth.name].scale
    assert scale.source == "card"
    assert scale.px_per_mm == pytest.approx(truth.px_per_mm, rel=0.01)


def test_fruit_are_found(judged):
    total = tally(list(judged.values()))
    assert total.f1 >= 0.80
    assert total.recall >= 0.85


@pytest.mark.parametrize("truth", TRUTHS, ids=lambda t: t.name)
def test_no_photo_is_counted_badly(truth, judged):
    assert tally([judged[truth.name]]).f1 >= 0.6


def test_diameters_are_right(seen, judged):
    errors = []
    for truth in TRUTHS:
        fruit, truth_of = seen[truth.name].fruitlets, judged[truth.name].matching.truth_of
        hit = truth_of >= 0
        errors += list(fruit.diameter_mm[hit] / truth.diameter_mm[truth_of[hit]] - 1)
    assert len(errors) > 200
    assert np.median(np.abs(errors)) <= 0.07


@pytest.mark.parametrize("truth", TRUTHS, ids=lambda t: t.name)
def test_limb_length_is_right(truth, seen):
    # Ours is from the collar to the tip; the truth begins 5-10 mm inside the parent branch.
    assert seen[truth.name].limb.length_mm == pytest.approx(truth.limb_length_mm, rel=0.05)


def test_base_diameters_are_right(seen):
    errors = [seen[t.name].limb.base_diameter_mm / t.base_diameter_mm - 1 for t in TRUTHS]
    assert np.median(np.abs(errors)) <= 0.09
    assert np.max(np.abs(errors)) <= 0.25


@pytest.mark.parametrize("truth", TRUTHS, ids=lambda t: t.name)
def test_every_limb_gets_an_answer(truth, seen):
    decision = decide(seen[truth.name], GrowerInputs(species=SPECIES[truth.name]))
    plan = decision.plan
    assert plan.verdict in ("thin", "leave")
    assert plan.keep_count + plan.off_count == plan.crop_count or plan.verdict == "leave"
    assert decision.load.known


def test_the_heavy_limb_is_thinned_and_the_light_one_left(seen):
    # Common practice, no source: a heavy limb loses two-thirds to three-quarters in the first
    # pass, most of it by one cut on the outer two-thirds; cherries are left.
    heavy = decide(seen["peach-34in-heavy.jpg"], GrowerInputs(species="peach")).plan
    assert heavy.verdict == "thin"
    assert 0.55 <= heavy.off_count / heavy.crop_count <= 0.85
    assert heavy.cuts
    cherry = decide(seen["cherry-bunches.jpg"], GrowerInputs(species="sweet-cherry")).plan
    assert cherry.verdict == "leave"
