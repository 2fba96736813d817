"""Learning from corrections: helps where there is something to learn, stays still where not."""

from __future__ import annotations

import json

import numpy as np
import pytest
from helpers import assert_fruitlets_close
from hypothesis import given, settings
from hypothesis import strategies as st

from fruitcount import calibrate
from fruitcount.calibrate import (
    Lesson,
    Tuning,
    apply_tuning,
    features,
    lesson_from,
    lesson_on_limb,
    propose,
    retuned,
    tuned_on_limb,
    tuned_scores,
    tuning_from_record,
    tuning_record,
    tuning_sentence,
)
from fruitcount.detect.heatmap import SHIPPED_THRESHOLD
from fruitcount.errors import BadInputError, RecordError
from fruitcount.evaluate.known import truth_from_columns
from fruitcount.evaluate.predictors import low_marks
from fruitcount.evaluate.scores import judge
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.pipeline import CountSettings, measure
from fruitcount.training.corrections_trial import lesson_of, tried
from fruitcount.types import CIRCLE_COLUMNS, Fruitlets, Limb, Measurement, Scale


def measurement(fruitlets: Fruitlets) -> Measurement:
    return Measurement("a.jpg", "", 1000, 1000, None, Scale(), fruitlets, Limb())


def lesson(seed: int, *, shift: float = 0.0, roundness_tells: float = 0.0) -> Lesson:
    """Sixty marks, half of them fruit; scores apart by two log-odds around ``shift``."""
    rng = np.random.default_rng(seed)
    fruit = np.arange(60) < 30
    log_odds = rng.normal(np.where(fruit, 1.0, -1.0) + shift, 1.0)
    marks = Fruitlets.from_columns(
        x_px=np.arange(60.0) * 10,
        y_px=np.zeros(60),
        r_px=rng.uniform(8, 12, 60),
        score=1 / (1 + np.exp(-log_odds)),
        yellow_frac=rng.uniform(0, 1, 60),
        roundness_frac=0.8 + roundness_tells * np.where(fruit, 0.5, -0.5) + rng.normal(0, 0.1, 60),
    )
    return Lesson(f"{seed}", marks, fruit, 2)


HALF = 0.5


def in_use(proposal):
    """What counts once the user has said yes."""
    return proposal.tuning if proposal.worthwhile else proposal.shipped


def test_threshold_moves_to_where_this_tree_needs_it() -> None:
    proposal = propose([lesson(i, shift=-2.0) for i in range(5)], HALF)
    assert proposal.worthwhile
    # The best threshold of two equal Gaussians lies midway, at log-odds -2: 0.12.
    assert proposal.tuning.threshold < 0.25
    assert proposal.after.f1 > proposal.before.f1 + 0.2
    assert "(was 0.50)" in tuning_sentence(proposal.tuning, HALF)


def test_weights_are_learned_only_when_they_pay() -> None:
    plain = propose([lesson(i, shift=-2.0) for i in range(5)], HALF)
    assert not plain.tuning.reweights
    telling = propose([lesson(i, roundness_tells=0.6) for i in range(5)], HALF)
    assert telling.tuning.reweights
    assert telling.tuning.weights[2] > 0.3
    assert telling.after.f1 > telling.before.f1 + 0.03
    assert "More round" in tuning_sentence(telling.tuning, HALF)


def test_gain_holds_on_photos_never_corrected() -> None:
    proposal = propose([lesson(i, shift=1.5, roundness_tells=0.6) for i in range(6)], HALF)
    for seed in (50, 51, 52):
        new = lesson(seed, shift=1.5, roundness_tells=0.6)
        tuned = tuned_scores(new.marks, in_use(proposal)) >= in_use(proposal).threshold
        plain = new.marks.score >= 0.5
        assert (tuned == new.is_fruit).mean() > (plain == new.is_fruit).mean()


@pytest.mark.parametrize("seed", range(6))
def test_nothing_is_proposed_when_the_shipped_settings_are_right(seed: int) -> None:
    proposal = propose([lesson(100 * seed + i) for i in range(4)], HALF)
    assert proposal.after.f1 >= proposal.before.f1
    if not proposal.worthwhile:
        assert in_use(proposal) == Tuning(0.5)


def test_one_photo_is_too_few() -> None:
    proposal = propose([lesson(1, shift=-2.0)], HALF)
    assert not proposal.worthwhile
    assert in_use(proposal) == proposal.shipped == Tuning(0.5)
    assert propose([], HALF).before.hits_n == 0


def test_declining_brings_the_shipped_answer_back() -> None:
    marks = lesson(3).marks
    proposal = propose([lesson(i, roundness_tells=0.6) for i in range(5)], HALF)
    assert proposal.worthwhile
    tuned = apply_tuning(marks, in_use(proposal))
    back = apply_tuning(marks, proposal.shipped)
    assert len(tuned) != len(back) or not np.array_equal(tuned.score, back.score)
    np.testing.assert_array_equal(back.score, marks.score[marks.score >= 0.5])


def test_marks_made_by_hand_stay() -> None:
    marks = Fruitlets.from_columns(
        x_px=[0.0, 9.0], y_px=[0.0, 0.0], r_px=[2.0, 2.0], score=[0.1, 0.1], by_hand=[True, False]
    )
    kept = apply_tuning(marks, Tuning(0.9, (1.0, 2.0, 0.0, 0.0), -3.0))
    assert kept.x_px.tolist() == [0.0]
    assert kept.score.tolist() == [0.1]


def test_lesson_pairs_marks_with_the_corrected_circles() -> None:
    x = [100.0, 200.0, 203.0, 300.0]
    auto = Fruitlets.from_columns(
        x_px=x, y_px=[50.0] * 4, r_px=[10.0] * 4, score=[0.9, 0.6, 0.8, 0.5]
    )
    fixed = Fruitlets.from_columns(
        x_px=[101.0, 201.0, 400.0], y_px=[50.0] * 3, r_px=[10.0] * 3, score=[1.0] * 3
    )
    got = lesson_from(measurement(fixed), auto)
    assert got.is_fruit.tolist() == [True, False, True, False]  # the surer of two marks
    assert got.unseen_n == 1
    low = lesson_from(measurement(fixed), auto.take([0]))
    assert (low.is_fruit.tolist(), low.unseen_n) == ([True], 2)
    assert lesson_from(measurement(Fruitlets.empty()), auto).is_fruit.sum() == 0
    assert lesson_from(measurement(fixed), Fruitlets.empty()).unseen_n == 3


def test_features_do_not_depend_on_distance_or_light() -> None:
    marks = lesson(1).marks
    other = marks.with_columns(r_px=marks.r_px * 3, yellow_frac=marks.yellow_frac + 0.2)
    np.testing.assert_allclose(features(marks), features(other), atol=1e-12)
    bare = Fruitlets.from_columns(x_px=[1.0], y_px=[1.0], r_px=[2.0], score=[0.5])
    np.testing.assert_allclose(features(bare), [[0, 0, 0, 0]], atol=1e-12)
    assert features(Fruitlets.empty()).shape == (0, 4)


def test_record_round_trip_and_bad_records() -> None:
    tuning = Tuning(0.31, (0.8, -0.2, 1.5, 0.1), -0.4)
    assert tuning_from_record(json.loads(json.dumps(tuning_record(tuning)))) == tuning
    good = tuning_record(tuning)
    for bad in ({}, good | {"version": 2}, good | {"weights": {}}, good | {"threshold": "x"},
                good | {"threshold": 7}, good | {"offset": float("nan")}):  # fmt: skip
        with pytest.raises(RecordError, match="tuning"):
            tuning_from_record(bad)
    with pytest.raises(BadInputError, match="threshold"):
        Tuning(1.2)


def test_rest_of_the_folder_under_a_tuning() -> None:
    marks = lesson(2).marks
    shipped = measurement(marks.take(marks.score >= 0.5))
    again = retuned(shipped, marks, Tuning(0.5))
    np.testing.assert_array_equal(again.fruitlets.x_px, shipped.fruitlets.x_px)
    more = retuned(shipped, marks, Tuning(0.2))
    assert len(more.fruitlets) == (marks.score >= 0.2).sum() > len(shipped.fruitlets)
    corrected = measurement(
        shipped.fruitlets.with_columns(by_hand=np.ones(len(shipped.fruitlets), bool))
    )
    assert retuned(corrected, marks, Tuning(0.2)) is corrected


def test_marks_below_the_threshold_for_learning() -> None:
    photo, _ = draw_scene(1, SceneSettings(width_px=480, height_px=320, px_per_mm=1.2, fruit_n=8))
    rules = CountSettings(source="classical")
    low, shipped = low_marks(photo, rules), measure(photo, rules)
    assert len(low) > len(shipped.fruitlets)
    back = retuned(shipped, low, Tuning(SHIPPED_THRESHOLD["classical"]))
    assert_fruitlets_close(back.fruitlets, shipped.fruitlets, within_px=1e-6, columns=("score",))


def on_a_limb(fruitlets: Fruitlets) -> Measurement:
    line = np.stack([np.linspace(0, 900, 20), np.full(20, 500.0)], axis=1)
    limb = Limb(line_px=line, width_px=np.full(20, 20.0), length_px=900.0, length_mm=450.0)
    return Measurement("a.jpg", "", 1000, 1000, None, Scale(2.0, 0.01, "card"), fruitlets, limb)


def test_fruit_off_the_limb_teaches_nothing_and_is_not_retuned() -> None:
    marks = Fruitlets.from_columns(
        x_px=[100.0, 300.0, 500.0, 700.0],
        y_px=[505.0, 505.0, 60.0, 505.0],  # the third is far off the limb
        r_px=[12.0] * 4,
        score=[0.9, 0.2, 0.9, 0.8],
        on_limb=[1, 1, 0, 1],
    )
    shipped = on_a_limb(marks.take([0, 2, 3]))
    fixed = marks.take([0, 1, 2]).with_columns(by_hand=[False, True, False])
    named = marks.take([3]).with_columns(on_limb=[0], by_hand=[True])
    both = {n: np.concatenate([getattr(fixed, n), getattr(named, n)]) for n in CIRCLE_COLUMNS}
    got = lesson_on_limb(on_a_limb(Fruitlets.from_columns(**both)), marks)
    # the one off the limb and the one that the user put on another limb are not judged
    assert got.marks.x_px.tolist() == [100.0, 300.0]
    assert got.is_fruit.tolist() == [True, True]
    assert got.unseen_n == 0
    again = retuned(shipped, marks, Tuning(0.85))
    assert sorted(again.fruitlets.x_px.tolist()) == [100.0, 500.0]


def test_moved_scores_keep_their_order_and_put_the_threshold_where_it_was() -> None:
    score = np.array([0.2, 0.4, 0.9])
    marks = Fruitlets.from_columns(
        x_px=[100.0, 300.0, 700.0], y_px=[505.0] * 3, r_px=[12.0] * 3, score=score
    )
    got = tuned_on_limb(on_a_limb(Fruitlets.empty()), marks, Tuning(0.2), 0.35)
    assert got.score[0] == pytest.approx(0.35)
    assert np.all(np.diff(got.score) > 0)
    assert got.score[2] > 0.9
    same = tuned_on_limb(on_a_limb(Fruitlets.empty()), marks, Tuning(0.35), 0.35)
    np.testing.assert_allclose(same.score, [0.4, 0.9])


def test_few_photos_move_the_threshold_part_of_the_way(monkeypatch: pytest.MonkeyPatch) -> None:
    lessons = [lesson(i, shift=-2.0) for i in range(2)]
    half = propose(lessons, HALF)
    monkeypatch.setattr(calibrate, "PHOTOS_TO_HALF_N", 0.0)
    all_the_way = propose(lessons, HALF)
    assert half.tuning.threshold == pytest.approx((0.5 + all_the_way.tuning.threshold) / 2)


def test_a_gain_that_hangs_on_one_photo_is_not_proposed(monkeypatch: pytest.MonkeyPatch) -> None:
    """One photo far off, the others at rest: resamples without it show no gain."""
    odd = [lesson(0, shift=-4.0), *(lesson(i, shift=0.3) for i in range(1, 4))]
    sure = propose(odd, HALF)
    monkeypatch.setattr(calibrate, "DOUBT_FRAC", 1.0)
    monkeypatch.setattr(calibrate, "LEAST_GAIN", 0.0)
    eager = propose(odd, HALF)
    assert not sure.worthwhile
    assert eager.after.f1 >= sure.after.f1


def test_a_trial_gains_where_the_threshold_is_wrong_and_rests_where_it_is_right() -> None:
    wrong = tried([lesson(i, shift=-2.0) for i in range(12)], 5, HALF, tries_n=4, seed=1)
    assert all(t.proposed and t.gain > 0.1 for t in wrong)
    right = tried([lesson(i) for i in range(12)], 5, HALF, tries_n=4, seed=1)
    assert sum(t.proposed for t in right) <= 1
    with pytest.raises(BadInputError, match="more than 12"):
        tried([lesson(i) for i in range(12)], 12, HALF, tries_n=1, seed=1)


def test_an_annotated_photo_teaches_as_a_corrected_one() -> None:
    known = {"x_px": [10.0, 50.0, 90.0], "y_px": [10.0] * 3, "r_px": [5.0] * 3}
    truth = truth_from_columns("a", (100, 20), columns=known | {"ignore": [False, False, True]})
    marks = Fruitlets.from_columns(
        x_px=np.array([11.0, 30.0, 92.0]), y_px=np.full(3, 10.0), r_px=np.full(3, 5.0),
        score=np.array([0.9, 0.6, 0.8]),
    )  # fmt: skip
    told = lesson_of(judge(truth, marks))
    assert told.marks.x_px.tolist() == [11.0, 30.0]  # the third lies on ignored fruit
    assert told.is_fruit.tolist() == [True, False]
    assert told.unseen_n == 1


@given(st.integers(0, 10_000))
@settings(deadline=None)
def test_annotation_and_correction_teach_the_same(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n, m = rng.integers(1, 12, 2)
    at = {k: rng.uniform(10, 90, m) for k in ("x_px", "y_px")} | {"r_px": rng.uniform(5, 25, m)}
    marks = Fruitlets.from_columns(
        x_px=rng.uniform(10, 90, n), y_px=rng.uniform(10, 90, n), r_px=np.full(n, 5.0),
        score=rng.choice([0.1, 0.5, 0.9], n),
    )  # fmt: skip
    one = lesson_of(judge(truth_from_columns("a", (100, 100), columns=at), marks))
    other = lesson_from(measurement(Fruitlets.from_columns(**at)), marks)
    assert one.is_fruit.tolist() == other.is_fruit.tolist()
    assert one.unseen_n == other.unseen_n
