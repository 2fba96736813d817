"""Scores against hand-worked numbers and one published worked example."""

from __future__ import annotations

import numpy as np
import pytest

from fruitcount.errors import BadInputError
from fruitcount.evaluate.details import (
    class_confusion,
    crowding_of,
    diameter_errors,
    radius_errors,
    recall_by,
    yellowing_scores,
)
from fruitcount.evaluate.intervals import bootstrap_f1, bootstrap_gain
from fruitcount.evaluate.known import Truth, truth_from_columns
from fruitcount.evaluate.scores import Judged, count_errors, judge, precision_recall_curve, tally
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene, fruitlets_of
from fruitcount.types import Fruitlets, Kind


def row_of_fruit(n: int, **columns: object) -> Truth:
    base = {"x_px": 100.0 * np.arange(n), "y_px": np.zeros(n), "r_px": np.full(n, 10.0)}
    return truth_from_columns("a", (1000, 10), columns=base | columns)


def marks(x: list[float], score: list[float] | None = None, **columns: object) -> Fruitlets:
    n = len(x)
    return Fruitlets.from_columns(
        x_px=x, y_px=np.zeros(n), r_px=np.full(n, 10.0), score=score or [1.0] * n, **columns
    )


# Detections in falling order of confidence, 15 objects known: the worked example of average
# precision in R. Padilla, S. L. Netto, E. A. B. da Silva, "A Survey on Performance Metrics for
# Object-Detection Algorithms", IWSSIP 2020; every-point area 24.56 %. (Rows from memory.)
PADILLA = [
    (95, 1), (95, 0), (91, 1), (88, 0), (84, 0), (80, 0), (78, 0), (74, 0), (71, 0), (70, 1),
    (67, 0), (62, 1), (54, 1), (48, 1), (45, 0), (45, 0), (44, 0), (44, 0), (43, 0), (38, 0),
    (35, 0), (23, 0), (18, 1), (14, 0),
]  # fmt: skip


def test_average_precision_of_a_published_example() -> None:
    truth = row_of_fruit(15)
    x, score, hit_n = [], [], 0
    for rank, (percent, is_hit) in enumerate(PADILLA):
        x.append(100.0 * hit_n if is_hit else 50.0)
        hit_n += is_hit
        # Ties are broken by rank, as the example breaks them.
        score.append(percent / 100 - rank * 1e-6)
    curve = precision_recall_curve([judge(truth, marks(x, score))])
    assert curve.average_precision == pytest.approx(0.2456, abs=2e-4)
    assert curve.recall[-1] == pytest.approx(7 / 15)


def test_threshold_cuts_counts_but_not_the_curve() -> None:
    judged = judge(row_of_fruit(2), marks([0, 100, 50], [0.9, 0.3, 0.2]), threshold=0.5)
    t = tally([judged])
    assert (t.hits_n, t.false_n, t.missed_n) == (1, 0, 1)
    assert (t.precision, t.recall, t.f1) == (1.0, 0.5, pytest.approx(2 / 3))
    curve = precision_recall_curve([judged])
    assert curve.average_precision == 1.0
    assert curve.best_threshold == pytest.approx(0.3)


def test_curve_repeats_the_pairing_at_every_threshold() -> None:
    # The surer mark is farther off: with both, the nearer takes the fruit and it becomes false.
    curve = precision_recall_curve([judge(row_of_fruit(1), marks([5, 1], [0.9, 0.5]))])
    assert curve.precision.tolist() == [1.0, 0.5]
    assert curve.recall.tolist() == [1.0, 1.0]


def test_curve_pools_photos_and_joins_equal_scores() -> None:
    first = judge(row_of_fruit(1), marks([0], [0.5]))
    second = judge(row_of_fruit(1), marks([50], [0.5]))
    curve = precision_recall_curve([first, second])
    assert (curve.precision.tolist(), curve.recall.tolist()) == ([0.5], [0.5])
    assert curve.average_precision == 0.25


def test_empty_answers() -> None:
    none = precision_recall_curve([judge(row_of_fruit(0), Fruitlets.empty())])
    assert np.isnan(none.average_precision)
    assert (
        precision_recall_curve([judge(row_of_fruit(2), Fruitlets.empty())]).average_precision == 0
    )
    t = tally([])
    assert np.isnan([t.precision, t.recall, t.f1]).all()
    assert np.isnan(bootstrap_f1([], [])).all()
    assert count_errors([]).photos_n == 0
    assert radius_errors([]).n == 0


def test_count_error_and_bias_by_hand() -> None:
    judged = [
        judge(row_of_fruit(10), marks([0.0] * 12)),  # +20 %
        judge(row_of_fruit(4), marks([0.0])),  # -75 %
        judge(row_of_fruit(2), marks([0.0, 1.0])),  # 0 %
        judge(row_of_fruit(0), marks([0.0])),  # no share of nothing
    ]
    c = count_errors(judged)
    assert c.photos_n == 3
    assert c.median_abs_frac == pytest.approx(0.2)
    assert c.bias_frac == pytest.approx(15 / 16 - 1)
    assert c.mean_signed_frac == pytest.approx((0.2 - 0.75) / 3)
    assert count_errors(judged, least_asked_n=5).photos_n == 1


def test_dropped_marks_do_not_count() -> None:
    truth = row_of_fruit(2, ignore=[False, True])
    assert judge(truth, marks([0, 100])).counted_n == 1


def test_bootstrap_keeps_tiles_of_a_photo_together() -> None:
    good = judge(row_of_fruit(1), marks([0]))
    bad = judge(row_of_fruit(1), marks([50]))
    # All tiles of a photo together: F1 of a draw is 0, 1/2 or 1.
    low, high = bootstrap_f1([good, good, bad, bad], ["a", "a", "b", "b"])
    assert (low, high) == (0.0, 1.0)
    many = [good, bad] * 200
    low, high = bootstrap_f1(many, [str(i) for i in range(400)])
    # Share of hits, binomial: standard error of 0.5 at 400 is 0.025, so 0.45 to 0.55.
    assert low == pytest.approx(0.451, abs=0.012)
    assert high == pytest.approx(0.549, abs=0.012)


def test_paired_gain_is_surer_than_the_two_intervals() -> None:
    # Half the photos are hopeless for both; on the others the second finds one fruit more.
    easy, hopeless = row_of_fruit(4), row_of_fruit(4)
    before, after = [], []
    for i in range(40):
        before.append(judge(easy, marks([0, 100])) if i % 2 else judge(hopeless, marks([50])))
        after.append(judge(easy, marks([0, 100, 200])) if i % 2 else judge(hopeless, marks([50])))
    names = [str(i) for i in range(40)]
    gain, low, high = bootstrap_gain(before, after, names)
    assert gain == pytest.approx(tally(after).f1 - tally(before).f1)
    assert 0 < low < gain < high
    assert bootstrap_f1(after, names)[0] < bootstrap_f1(before, names)[1]
    assert bootstrap_gain(before, before, names) == (0.0, 0.0, 0.0)
    with pytest.raises(BadInputError, match="same photos"):
        bootstrap_gain(before, after[:-1], names)


def test_classes_by_hand() -> None:
    y, d, f = int(Kind.YELLOWING), int(Kind.DAMAGED), int(Kind.FRUIT)
    truth = row_of_fruit(5, kind=[f, y, y, d, y])
    found = marks([0, 100, 200, 300, 50], kind=[f, y, f, y, y])
    table = class_confusion([judge(truth, found)])
    assert table.tolist() == [[1, 0, 0, 0], [1, 1, 0, 1], [0, 1, 0, 0], [0, 1, 0, 0]]
    scores = yellowing_scores(table)
    assert (scores.hits_n, scores.false_n, scores.missed_n) == (1, 2, 2)


def test_crowding_and_recall_by_condition() -> None:
    truth = row_of_fruit(3, x_px=np.array([0.0, 20.0, 200.0]))
    np.testing.assert_allclose(crowding_of(truth), [0, 0, 16])
    split = recall_by([judge(truth, marks([0, 200]))], "crowding")
    assert split == {"apart": (1, 1), "touching": (1, 2)}


def test_recall_tells_fruit_of_this_limb_from_others() -> None:
    truth = row_of_fruit(3, on_limb=np.array([1, 0, -1]))
    found = marks(truth.x_px[:1])
    split = recall_by([judge(truth, found)], "whose fruit")
    assert split == {"elsewhere": (0, 1), "not known": (0, 1), "this limb": (1, 1)}


def test_perfect_detections_score_one() -> None:
    judged: list[Judged] = []
    for seed in range(2):
        _, truth = draw_scene(seed, SceneSettings(hidden_frac=0.4, yellowing_frac=0.3))
        judged.append(judge(truth, fruitlets_of(truth)))
    assert tally(judged).f1 == 1.0
    assert precision_recall_curve(judged).average_precision == 1.0
    assert count_errors(judged).median_abs_frac == 0
    assert diameter_errors(judged).median_abs_frac == pytest.approx(0, abs=1e-12)
