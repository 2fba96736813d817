"""The chain as a whole, on drawn scenes whose truth is known and on limbs built by hand."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from helpers import assert_same_fruitlets, match_circles

from fruitcount.errors import BadInputError, SpeciesError
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene, fruitlets_of
from fruitcount.export.record import result_to_dict
from fruitcount.files import sample_folder
from fruitcount.flags import Flag
from fruitcount.image.photo import read_photo
from fruitcount.jobs.count import read_left_standing
from fruitcount.measurement_record import measurement_from_dict, measurement_to_dict
from fruitcount.pipeline import CountSettings, Result, ScaleRequest, count_limb, decide, measure
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.tree.checkpoint import measurement_in
from fruitcount.types import CIRCLE_COLUMNS, Fruitlets, Limb, Measurement, Photo, Scale

CLASSICAL = CountSettings(source="classical")


@pytest.fixture(scope="module")
def scene():
    return draw_scene(5, SceneSettings(fruit_n=14))


@pytest.fixture(scope="module")
def result(scene) -> Result:
    return count_limb(scene[0], CLASSICAL)


def test_scale_comes_from_the_card(scene, result):
    # The drawn scene's own scale is the outside truth here: it was chosen, not measured.
    assert result.measurement.scale.px_per_mm == pytest.approx(scene[1].px_per_mm, rel=0.01)
    assert result.measurement.scale.source == "card"


@pytest.mark.parametrize("slip", [
    {"scale": ScaleRequest("points", 100.0, ((-5.0, -5.0), (9999.0, 99.0)))},
    {"scale": ScaleRequest("points", 0.1, ((5.0, 5.0), (900.0, 5.0)))},
    {"scale": ScaleRequest("limb length", 900_000.0)},
    {"scale": ScaleRequest("card", 9999.0)},
    {"base_px": (5.0, 5.0), "tip_px": (5.0, 5.0)},
    {"base_diameter_mm": 9000.0},
], ids=str)  # fmt: skip
def test_a_slip_of_unit_or_tap_is_told_and_no_answer_given(scene, slip):
    with pytest.raises(BadInputError):
        count_limb(scene[0], CountSettings(source="classical", **slip))
    with pytest.raises(BadInputError, match="harvest_diameter_mm"):
        GrowerInputs(harvest_diameter_mm=0.001)


def test_most_drawn_fruit_is_found(scene, result):
    truth = fruitlets_of(scene[1])
    pairs = match_circles(
        result.measurement.fruitlets, truth, within_px=0.7 * float(truth.r_px.min())
    )
    assert len(pairs.second) >= 0.6 * len(truth)


def test_every_fruit_has_one_place_in_the_plan(result):
    plan, fruit = result.decision.plan, result.measurement.fruitlets
    crop = fruit.counts_as_crop
    assert plan.crop_count == int(crop.sum())
    assert not np.any(plan.keep_mask & plan.off_mask)
    assert plan.keep_count + plan.off_count == plan.crop_count
    away = {i for cut in plan.cuts for i in cut.fruit} | set(plan.pinches)
    assert away == set(np.flatnonzero(plan.off_mask).tolist())


def test_without_a_scale_the_count_still_comes(scene):
    bare = measure(scene[0], replace(CLASSICAL, scale=ScaleRequest("none")))
    assert len(bare.fruitlets) > 0
    assert np.isnan(bare.fruitlets.diameter_mm).all()
    assert Flag.NO_SCALE in bare.flags
    decision = decide(bare)
    assert not decision.load.known
    assert Flag.LOAD_UNKNOWN in decision.flags


def test_a_typed_limb_length_gives_the_scale(scene):
    length = scene[1].limb_length_mm
    measurement = measure(scene[0], replace(CLASSICAL, scale=ScaleRequest("limb length", length)))
    assert measurement.scale.source == "limb length"
    # the ends of a painted limb are found less well than those of a photographed one
    assert measurement.scale.px_per_mm == pytest.approx(scene[1].px_per_mm, rel=0.2)


@pytest.mark.parametrize(
    "wrong",
    [
        ScaleRequest("limb length", 352.0 * 4),
        ScaleRequest("points", 1000.0, ((50.0, 60.0), (650.0, 60.0))),
    ],
    ids=["length", "points"],
)
def test_a_wrong_scale_never_hides_the_fruit(wrong):
    # Six fruit of 16 to 22 mm on 352 mm (the sample's own truth), called about four times, or
    # ten times, as large: none would then be a fruitlet.
    photo = read_photo(sample_folder() / "apricot-spur.jpg")
    measurement = measure(photo, CountSettings(source="trained", scale=wrong))
    assert len(measurement.fruitlets) >= 6
    assert Flag.SIZES_OUT_OF_RANGE in measurement.flags
    assert np.median(measurement.fruitlets.diameter_mm) > 35


def test_two_points_give_the_scale(scene):
    px = scene[1].px_per_mm
    request = ScaleRequest("points", 100.0, ((50.0, 60.0), (50.0 + 100 * px, 60.0)))
    measurement = measure(scene[0], replace(CLASSICAL, scale=request))
    assert measurement.scale.px_per_mm == pytest.approx(px, rel=1e-9)


def test_caliper_beats_the_photo(scene):
    measurement = measure(scene[0], replace(CLASSICAL, base_diameter_mm=17.5))
    assert measurement.limb.base_diameter_mm == 17.5


def test_nothing_is_counted_on_the_card(scene, result):
    corners = result.measurement.scale.corners_px
    low, high = corners.min(axis=0), corners.max(axis=0)
    fruit = result.measurement.fruitlets
    inside = (fruit.x_px > low[0]) & (fruit.x_px < high[0])
    inside &= (fruit.y_px > low[1]) & (fruit.y_px < high[1])
    assert not inside.any()


def test_an_unreadable_photo_is_never_zero_fruit():
    black = Photo(rgb=np.zeros((480, 640, 3), np.uint8), name="night.jpg")
    measurement = measure(black, CLASSICAL)
    assert Flag.COUNT_UNKNOWN in measurement.flags
    assert Flag.NO_FRUIT_SEEN not in measurement.flags
    assert decide(measurement).plan.verdict == "cannot tell"


def test_cherries_are_left(result):
    # K-State, Oklahoma State, UC, Univ. Nevada: cherry is not thinned by hand.
    assert decide(result.measurement, GrowerInputs(species="sweet-cherry")).plan.verdict == "leave"


def test_a_light_set_is_left(result):
    # Common practice, no source.
    assert decide(result.measurement, GrowerInputs(light_set=True)).plan.verdict == "leave"


def test_an_unknown_species_is_named(result):
    with pytest.raises(SpeciesError, match="no-such"):
        decide(result.measurement, GrowerInputs(species="no-such"))


def test_settings_name_what_is_wrong():
    with pytest.raises(BadInputError, match="scale kind"):
        ScaleRequest("guess")
    with pytest.raises(BadInputError, match="length_mm"):
        ScaleRequest("points")
    with pytest.raises(BadInputError, match="source"):
        CountSettings(source="magic")
    with pytest.raises(BadInputError, match="base_diameter_mm"):
        CountSettings(base_diameter_mm=-1.0)


def test_what_was_seen_survives_json(result):
    text = json.dumps(measurement_to_dict(result.measurement), allow_nan=False)
    back = measurement_from_dict(json.loads(text))
    assert_same_fruitlets(back.fruitlets, result.measurement.fruitlets)
    np.testing.assert_array_equal(back.limb.line_px, result.measurement.limb.line_px)
    np.testing.assert_array_equal(back.limb.width_px, result.measurement.limb.width_px)
    assert back.flags == result.measurement.flags
    assert back.scale.px_per_mm == result.measurement.scale.px_per_mm
    assert measurement_to_dict(back) == measurement_to_dict(result.measurement)


def test_records_with_the_names_of_earlier_versions_are_read(result, tmp_path):
    record = json.loads(json.dumps(result_to_dict(result)))
    path = tmp_path / "new.json"
    path.write_text(json.dumps(record))
    old = {name: value for name, value in record.items() if name != "load"}
    old["fates"], old["seen"] = old.pop("fruit_actions"), old.pop("measurement")
    del old["seen"]["limb"]["right_chance"], old["seen"]["count_range_n"]
    earlier = tmp_path / "old.json"
    earlier.write_text(json.dumps(old))
    assert read_left_standing(earlier) == read_left_standing(path)
    back = measurement_in({"seen": old["seen"]})
    assert_same_fruitlets(back.fruitlets, result.measurement.fruitlets)


def test_the_record_is_strict_json_and_holds_no_place(result):
    text = json.dumps(result_to_dict(result), allow_nan=False)
    record = json.loads(text)
    assert "location" not in text.lower()
    assert len(record["fruit_actions"]) == len(result.measurement.fruitlets)
    assert set(record["measurement"]["fruitlets"]) == set(CIRCLE_COLUMNS)


def test_deciding_again_from_the_record_gives_the_same_plan(result):
    again = decide(measurement_from_dict(measurement_to_dict(result.measurement)))
    np.testing.assert_array_equal(again.plan.keep_mask, result.decision.plan.keep_mask)
    assert again.load.after.worst_stress_mpa == pytest.approx(
        result.decision.load.after.worst_stress_mpa, nan_ok=True
    )


@pytest.mark.parametrize(
    ("line", "end"),
    [([(0, 0), (9, 1)], "left"), ([(9, 0), (0, 1)], "right"), ([(0, 0), (1, 9)], "upper")],
)
def test_it_says_which_end_is_taken_for_the_base(line, end):
    limb = Limb(line_px=np.array(line, float), flags=Flag.LIMB_ENDS_UNSURE)
    flags = Flag.LIMB_ENDS_UNSURE | Flag.NO_SCALE
    measurement = Measurement(
        "a.jpg", "0" * 64, 10, 10, None, Scale(), Fruitlets.empty(), limb, flags
    )
    assert any(f"the {end} end" in said for said in decide(measurement).warnings)
