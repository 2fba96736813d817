"""The range of fruit likely there: known where it can be, wider where more is missed."""

import math
from dataclasses import replace

import numpy as np
import pytest

from fruitcount.detect.find import count_range, recall_of
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


def test_yellowing_fruit_and_fruit_elsewhere_are_not_in_it():
    kind, here = np.zeros(12, int), np.ones(12, int)
    kind[:4], here[4:8] = int(Kind.YELLOWING), 0
    some = _row().with_columns(kind=kind, on_limb=here)
    assert count_range(some, Flag.NONE, "trained") == count_range(
        _row(4).with_columns(x_px=200.0 * np.arange(8, 12)), Flag.NONE, "trained")  # fmt: skip


def test_it_is_said_and_kept_and_records_without_it_are_read():
    measurement = measure(draw_scene(5)[0], CountSettings(source="classical"))
    told = replace(measurement, count_range_n=(14.0, 19.0))
    assert "seen (14 to 19 are likely there)" in count_line(told)
    record = measurement_to_dict(told)
    assert measurement_from_dict(record).count_range_n == (14.0, 19.0)
    del record["count_range_n"]
    assert all(map(math.isnan, measurement_from_dict(record).count_range_n))
