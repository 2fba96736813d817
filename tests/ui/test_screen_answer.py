"""The first line above the photo: whatever is in doubt, it says what to do next, one thing."""

from __future__ import annotations

import numpy as np
import pytest
from screen_result import answer_of

from fruitcount.flags import Flag, flag_sentences
from fruitcount.pipeline import Result, decide
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.types import Fruitlets, Limb, Measurement, Scale

LIMB_DOUBTS = (Flag.NONE, Flag.LIMB_NOT_FOUND, Flag.LIMB_DOUBTFUL, Flag.LIMB_UNSURE)
ASKED = {
    Flag.LIMB_NOT_FOUND: "Where is the limb?",
    Flag.LIMB_DOUBTFUL: "Is this the limb?",
    Flag.LIMB_UNSURE: "Is this the limb?",
}


def _result(flags: Flag, *, n: int = 22, on_limb: int = 1, by_hand: bool = False, mm: float = 15.0):
    """A limb of 60 cm with ``n`` fruit, at a scale or (``NO_SCALE``) without one."""
    found, known = Flag.LIMB_NOT_FOUND not in flags, Flag.NO_SCALE not in flags
    line = np.stack([np.linspace(100, 1300, 30), np.full(30, 500.0)], axis=1)
    width = np.linspace(60, 30, 30)
    limb = Limb(flags=flags, by_hand=by_hand)
    if found:
        limb = Limb(
            line_px=line, width_px=width, length_px=1200.0, length_mm=600.0 if known else np.nan,
            base_diameter_mm=30.0 if known else np.nan, tip_diameter_mm=15.0 if known else np.nan,
            diameter_rel_sd_frac=0.05, diameter_source="photo", flags=flags, by_hand=by_hand,
        )  # fmt: skip
    fruit = Fruitlets.from_columns(
        x_px=np.linspace(150, 1250, n), y_px=np.full(n, 530.0), r_px=np.full(n, 15.0),
        score=np.full(n, 0.95), on_limb=np.full(n, on_limb),
        along_mm=np.linspace(20, 580, n) if known else np.full(n, np.nan),
        diameter_mm=np.full(n, mm if known else np.nan), diameter_sd_mm=np.ones(n),
    )  # fmt: skip
    scale = Scale(2.0, 0.02, "card") if known else Scale(flags=Flag.NO_SCALE)
    measured = Measurement(
        "a", "0" * 64, 1400, 1000, None, scale, fruit, limb, flags=flags, source="trained"
    )
    return Result(measured, decide(measured, GrowerInputs(species="peach", ripening_month=7)))


@pytest.mark.parametrize("limb", LIMB_DOUBTS)
@pytest.mark.parametrize("scale", [Flag.NONE, Flag.NO_SCALE, Flag.SIZES_OUT_OF_RANGE])
@pytest.mark.parametrize("ends", [Flag.NONE, Flag.LIMB_ENDS_UNSURE])
@pytest.mark.parametrize("photo", [Flag.NONE, Flag.PHOTO_BLURRED])
def test_one_doubt_is_asked_at_a_time_and_the_others_stay_in_sight(limb, scale, ends, photo):
    flags = limb | scale | ends | photo
    result = _result(flags, mm=41.0 if scale == Flag.SIZES_OUT_OF_RANGE else 15.0)
    screen = answer_of(result, "metric")
    first, plan = screen.summary, result.decision.plan
    assert first.startswith(("KEEP", "LEAVE", "22 fruit. "))
    asked = ASKED.get(limb) or {
        Flag.NO_SCALE: "How long is this limb?", Flag.SIZES_OUT_OF_RANGE: "Is the scale right?",
    }.get(scale) or ("Is this end its base?" if ends else "")  # fmt: skip
    assert (screen.ask != "") == (asked != "")
    assert first.count("?") <= 1
    assert asked in (screen.question or first)
    assert not (screen.question and "?" in first)
    # never a dead end: without a number to keep the line asks for what is lacking
    assert first.startswith(("KEEP", "LEAVE")) or first.endswith(asked)
    assert "CANNOT" not in first
    assert plan.verdict in ("thin", "leave") or asked
    hidden = set(result.decision.warnings) - set(screen.warnings)
    assert len(hidden) <= 2
    assert asked or not hidden
    assert not photo or flag_sentences(Flag.PHOTO_BLURRED)[0] in screen.warnings


def test_a_limb_shown_by_hand_is_asked_for_no_more():
    assert answer_of(_result(Flag.LIMB_UNSURE, by_hand=True), "metric").ask == ""
    without = answer_of(_result(Flag.LIMB_UNSURE | Flag.NO_SCALE, by_hand=True), "metric")
    assert without.summary == "22 fruit. How long is this limb?"
    part = answer_of(_result(Flag.LIMB_LEAVES_FRAME | Flag.NO_SCALE), "metric")
    assert part.summary == "22 fruit. How long is the limb in the photo?"


def test_a_tape_in_place_of_a_scale_ends_the_question():
    result = _result(Flag.NO_SCALE)
    told = GrowerInputs(species="peach", ripening_month=7, limb_length_mm=600.0)
    result = Result(result.measurement, decide(result.measurement, told))
    screen = answer_of(result, "metric")
    assert screen.ask == ""
    assert screen.summary in result.decision.plan.answer


def test_an_unlikely_scale_is_told_with_the_size_that_it_makes():
    screen = answer_of(_result(Flag.SIZES_OUT_OF_RANGE, mm=41.0), "us")
    assert screen.summary == "22 fruit. Is the scale right?"
    assert "1.61 in" in screen.detail
    assert "KEEP" in screen.detail


@pytest.mark.parametrize("poor", [Flag.PHOTO_BLURRED, Flag.PHOTO_DARK, Flag.PHOTO_BRIGHT])
def test_nothing_seen_on_a_poor_photo_sends_back_to_the_tree(poor):
    flags = poor | Flag.COUNT_UNKNOWN | Flag.NO_SCALE | Flag.LIMB_NOT_FOUND
    screen = answer_of(_result(flags, n=0), "metric")
    assert screen.summary == "Cannot count: take the photo again"
    assert screen.detail == flag_sentences(poor)[0]
    assert screen.ask == ""


def test_no_fruit_and_fruit_beside_the_limb_are_told_apart():
    none = answer_of(_result(Flag.NO_FRUIT_SEEN, n=0), "metric")
    assert none.summary == "No fruit marked"
    assert none.detail.startswith("Tap each fruit")
    beside = answer_of(_result(Flag.LIMB_ENDS_UNSURE, on_limb=0), "metric")
    assert beside.summary == "22 fruit, none on this limb. Is this the limb?"
    by_hand = answer_of(_result(Flag.NONE, on_limb=0, by_hand=True), "metric")
    assert by_hand.summary == "22 fruit, none on this limb."
    assert by_hand.detail.startswith("Tap a fruit")
