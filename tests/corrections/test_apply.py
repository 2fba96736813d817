"""Between what was measured and the sheet: nothing changes that nobody changed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import fruitcount.corrections as cx
from fruitcount.types import Fruitlets, Limb, Measurement, Scale


@pytest.fixture
def measurement():
    fruit = Fruitlets.from_columns(
        x_px=[10.0, 40.0, 70.0],
        y_px=[20.0, 22.0, 24.0],
        r_px=[5.0, 6.0, 7.0],
        score=[0.9, 0.4, 0.8],
        kind=[0, 1, 2],
        diameter_mm=[12.0, 14.0, 16.0],
        diameter_sd_mm=[0.5, 0.5, 0.5],
        on_limb=[1, 0, -1],
        yellow_frac=[0.1, 0.8, 0.2],
    )
    limb = Limb(
        line_px=[[0, 30], [100, 30]],
        width_px=[8.0, 4.0],
        length_px=100.0,
        length_mm=250.0,
        base_diameter_mm=20.0,
        tip_diameter_mm=10.0,
        diameter_source="photo",
    )
    return Measurement("a.jpg", "0" * 64, 100, 60, None, Scale(0.4, 0.01, "card"), fruit, limb)


def test_an_untouched_sheet_gives_back_what_was_measured(measurement):
    sheet = cx.sheet_of(measurement)
    assert [m.label for m in sheet.marks] == ["fruit", "elsewhere", "damaged"]
    scale = cx.scale_of(measurement, sheet.scale)
    assert scale is measurement.scale
    back = cx.fruitlets_of(measurement, sheet, scale)
    for name in Fruitlets.__dataclass_fields__:
        np.testing.assert_array_equal(getattr(back, name), getattr(measurement.fruitlets, name))


def test_hand_marks_are_sized_by_the_scale_and_measured_ones_keep_their_own(measurement):
    sheet = cx.sheet_of(measurement)
    sheet = cx.apply(sheet, cx.Add(cx.Mark("hx-1", 50, 50, 4.0, on_limb=1, by_hand=True)))
    first = sheet.find("a0")
    grown = replace(first, r_px=10.0, by_hand=True)
    sheet = cx.apply(sheet, cx.Change(first, grown, "resize"))
    back = cx.fruitlets_of(measurement, sheet, measurement.scale)
    assert back.diameter_mm.tolist() == pytest.approx([50.0, 14.0, 16.0, 20.0])
    assert back.score.tolist() == [1.0, 0.4, 0.8, 1.0]
    assert np.isnan(back.yellow_frac[3])
    assert back.yellow_frac[1] == 0.8


def test_removing_a_mark_takes_the_right_row_away(measurement):
    sheet = cx.sheet_of(measurement)
    sheet = cx.apply(sheet, cx.Remove(sheet.find("a1")))
    back = cx.fruitlets_of(measurement, sheet, measurement.scale)
    assert back.diameter_mm.tolist() == [12.0, 16.0]


def test_another_scale_tells_all_lengths_anew_but_not_the_caliper(measurement):
    double = cx.choice_of(Scale(0.8, 0.02, "two points"), ((0.0, 0.0), (8.0, 0.0)), 10.0)
    scale = cx.scale_of(measurement, double)
    limb = cx.limb_at_scale(measurement.limb, measurement.scale, scale)
    assert (limb.length_mm, limb.base_diameter_mm) == pytest.approx((125.0, 10.0))
    fruit = cx.fruitlets_of(measurement, cx.sheet_of(measurement), scale)
    assert fruit.diameter_mm.tolist() == pytest.approx([6.0, 7.0, 8.0])
    typed = replace(measurement.limb, diameter_source="caliper")
    assert cx.limb_at_scale(typed, measurement.scale, scale).base_diameter_mm == 20.0


def test_without_a_scale_no_length_is_told(measurement):
    none = cx.ScaleChoice("none", by_hand=True)
    scale = cx.scale_of(measurement, none)
    assert not scale.known
    assert np.isnan(cx.fruitlets_of(measurement, cx.sheet_of(measurement), scale).diameter_mm).all()
    assert np.isnan(cx.limb_at_scale(measurement.limb, measurement.scale, scale).length_mm)
