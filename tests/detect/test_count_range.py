"""The range of fruit likely there: known where it can be, wider where more is missed."""

import math
from dataclasses import replace

import numpy as np
import pytest

from fruitcount.detect.find import count_range, own_chance, recall_of
from fruitcount.evaluate.synthetic import draw_scene
from fruitcount.export.words import count_line
from fruitcount.flags import Flag
from fruitcount.measurement_record import measurement_from_dict, measurement_to_dict
from fruitcount.pipeline import CountSettings, measure
from fruitcount.types import Fruitlets, Kind


def _row(n=12, r=30.0, apart=200.0, **columns):
    return Fruitlets.from_columns(
        x_px=apart * np.arange(n), y_px=np.zeros(n), r_px=np.full(n, r),
        score=np.full(n, 0.8), on_limb=np.ones(n, int), **columns,
    )  # fmt: skip


@pytest.mark.parametrize("flag", [Flag.COUNT_UNKNOWN, Flag.LIMB_UNSURE])
def test_nothing_is_told_of_a_limb_or_count_that_is_not_known(flag):
    assert np.isnan(count_range(_row(), flag, "trained")).all()
    assert np.isnan(count_range(_row(), Flag.NONE, "classical")).all()


def test_a_limb_marked_by_hand_is_as_it_was_marked():
    assert count_range(_row(by_hand=np.ones(12, bool)), Flag.NONE, "trained") == (12, 12)


def test_small_hidden_and_crowded_fruit_leave_more_unseen():
    plain = _row(visible_frac=np.ones(12))
    for harder in (_row(r=6.0, visible_frac=np.ones(12)), _row(visible_frac=np.full(12, 0.5)),
                   _row(apart=40.0, visible_frac=np.ones(12))):  # fmt: skip
        assert (recall_of(harder) <= recall_of(plain)).all()
        assert count_range(harder, Flag.NONE, "trained")[1] >= count_range(
            plain, Flag.NONE, "trained")[1]  # fmt: skip


def test_yellowing_fruit_and_fruit_far_from_the_limb_are_not_in_it():
    kind, here, off = np.zeros(12, int), np.ones(12, int), np.zeros(12)
    kind[:4], here[4:8], off[4:8] = int(Kind.YELLOWING), 0, 1500.0
    low, high = count_range(
        _row().with_columns(kind=kind, on_limb=here, offset_px=off), Flag.NONE, "trained"
    )
    alone = count_range(_row(4), Flag.NONE, "trained")
    assert alone[0] - 1 <= low <= 4 <= high <= alone[1]


def test_whose_fruit_they_are_is_surer_near_the_line_than_far_on_a_shoot_or_among_other_limbs():
    near = _row(offset_px=np.full(12, 40.0))
    far, on_a_shoot = {"offset_px": np.full(12, 250.0)}, {"shoot": np.zeros(12, int)}
    among = {"on_limb": np.repeat([1, 0], 6), "offset_px": np.repeat([40.0, 900.0], 6)}
    for other in (far, on_a_shoot, among):
        doubtful = near.with_columns(**other)
        assert (own_chance(doubtful)[:6] < own_chance(near)[:6]).all()
    beside = near.with_columns(on_limb=np.zeros(12, int), offset_px=np.full(12, 150.0))
    beyond = beside.with_columns(offset_px=np.full(12, 600.0))
    assert (own_chance(beyond) < own_chance(beside)).all()
    called = beside.with_columns(by_hand=np.ones(12, bool))
    empty = count_range(Fruitlets.empty(), Flag.NONE, "trained")
    assert count_range(called, Flag.NONE, "trained") == empty


def test_it_is_said_and_kept_and_records_without_it_are_read():
    measurement = measure(draw_scene(5)[0], CountSettings(source="classical"))
    told = replace(measurement, count_range_n=(14.0, 19.0))
    assert "seen (14 to 19 are likely there)" in count_line(told)
    record = measurement_to_dict(told)
    assert measurement_from_dict(record).count_range_n == (14.0, 19.0)
    del record["count_range_n"]
    assert all(map(math.isnan, measurement_from_dict(record).count_range_n))
