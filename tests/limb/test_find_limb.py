"""The limb's line and thickness, against drawn limbs of known course and width."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from limb.drawn_limb import LimbView, curve, draw

from fruitcount.errors import BadInputError
from fruitcount.evaluate.truth import read_truth_json
from fruitcount.flags import Flag
from fruitcount.image.photo import read_photo
from fruitcount.limb.centre import fit_taper
from fruitcount.limb.find import find_limb, trace_between
from fruitcount.limb.result import extended, with_caliper
from fruitcount.lines import along_line, nearest_on_line, point_on_line, resampled
from fruitcount.types import Fruitlets, Limb, Maps, Photo, Scale

NO_FRUIT = Fruitlets.empty()
SAMPLES = Path(__file__).parents[2] / "sample_images"
SCALE = Scale(px_per_mm=2.0, rel_sd_frac=0.01, source="card")


def apart(line: np.ndarray, other: np.ndarray) -> float:
    """Mean distance of evenly spaced points of one line from the other line."""
    points = point_on_line(line, np.linspace(0, along_line(line)[-1], 200))
    return float(nearest_on_line(other, points[:, 0], points[:, 1])[1].mean())


def find(view: LimbView, **options: object) -> tuple[Limb, np.ndarray]:
    picture, line = draw(view)
    return find_limb(Photo(picture), None, NO_FRUIT, SCALE, **options), line


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize("bark", [(112, 82, 66), (60, 45, 40), (128, 112, 104)])
def test_line_and_thickness(seed: int, bark: tuple[float, float, float]) -> None:
    limb, line = find(LimbView(seed=seed, bark=bark))
    length = along_line(line)[-1]
    assert apart(limb.line_px, line) < 4
    assert apart(line, limb.line_px) < 6
    # The ends are good to a few of the net's cells of 5 px.
    assert limb.length_px == pytest.approx(length, rel=0.06)
    assert limb.length_mm == pytest.approx(limb.length_px / 2)
    assert np.hypot(*(limb.line_px[0] - line[0])) < 40
    # An edge of bark against leaves is good to about a pixel each side: 8 % of 26 px.
    assert limb.base_diameter_mm == pytest.approx(13.0, rel=0.08)
    assert limb.tip_diameter_mm == pytest.approx(7.0, rel=0.15)
    assert limb.diameter_source == "photo"
    assert 0.03 < limb.diameter_rel_sd_frac < 0.15
    assert Flag.LIMB_NOT_FOUND not in limb.flags
    assert not limb.by_hand


def test_hidden_parts_have_no_width() -> None:
    view = LimbView(leaves_over=0)
    clear, _ = find(view)
    hidden, line = find(replace(view, leaves_over=5))
    assert np.isnan(clear.width_px).mean() < 0.15
    assert np.isnan(hidden.width_px).mean() > np.isnan(clear.width_px).mean() + 0.05
    assert apart(hidden.line_px, line) < 5


def test_base_is_the_thick_end_whichever_way_it_points() -> None:
    for points in (LimbView().points, LimbView().points[::-1]):
        limb, line = find(LimbView(points=points))
        assert np.hypot(*(limb.line_px[0] - line[0])) < 40


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_a_quarter_turn_turns_the_line_with_it(quarter_turns: int) -> None:
    picture, line = draw(LimbView())
    straight = find_limb(Photo(picture), None, NO_FRUIT, SCALE)
    turned_photo = Photo(np.ascontiguousarray(np.rot90(picture, quarter_turns)))
    turned = find_limb(turned_photo, None, NO_FRUIT, SCALE)
    columns, rows = picture.shape[1], picture.shape[0]
    true = line.copy()
    for _ in range(quarter_turns):  # counter-clockwise: (x, y) -> (y, columns - 1 - x)
        true = np.column_stack([true[:, 1], columns - 1 - true[:, 0]])
        columns, rows = rows, columns
    assert apart(turned.line_px, true) < 4
    assert turned.length_px == pytest.approx(straight.length_px, rel=0.03)
    assert turned.base_diameter_mm == pytest.approx(straight.base_diameter_mm, rel=0.05)


def test_wood_map_is_used() -> None:
    # Bark as green as the leaves: colour cannot tell, the map can.
    view = LimbView(bark=(75, 118, 50))
    picture, line = draw(view)
    brown, _ = draw(replace(view, bark=(250, 0, 250), noise=0, leaves_over=0))
    wood = ((brown[..., 0] > 150) & (brown[..., 1] < 90)).astype(np.float32)[::4, ::4]
    blank = np.full_like(wood, np.nan)
    limb = find_limb(Photo(picture), Maps(wood, blank, wood, 4.0, "drawn"), NO_FRUIT, SCALE)
    assert apart(limb.line_px, line) < 6
    assert limb.length_px == pytest.approx(along_line(line)[-1], rel=0.06)


def test_fruit_and_card_do_not_break_the_line() -> None:
    picture, line = draw(LimbView(leaves_over=0))
    fruit = line[[80, 150, 230, 300]] + [6, -6]
    for x, y in fruit:
        gy, gx = np.mgrid[: picture.shape[0], : picture.shape[1]]
        picture[np.hypot(gx - x, gy - y) < 20] = (150, 175, 95)
    picture[330:470, 500:640] = 240
    picture[350:450, 520:620] = 15
    corners = np.array([[520, 350], [620, 350], [620, 450], [520, 450.0]])
    marks = Fruitlets.from_columns(x_px=fruit[:, 0], y_px=fruit[:, 1], r_px=np.full(4, 20.0))
    limb = find_limb(Photo(picture), None, marks, replace(SCALE, corners_px=corners))
    assert apart(limb.line_px, line) < 6
    assert limb.base_diameter_mm == pytest.approx(13.0, rel=0.12)
    near = np.hypot(*(limb.line_px[:, None] - fruit[None]).transpose(2, 0, 1)).min(axis=1)
    assert np.isnan(limb.width_px[near < 15]).all()


def test_nothing_there_is_not_found() -> None:
    rng = np.random.default_rng(0)
    plain = (100 + rng.normal(0, 3, (200, 300, 3))).clip(0, 255) * [0.6, 1, 0.4]
    for picture in (plain.astype(np.uint8), np.full((60, 80, 3), 200, np.uint8)):
        limb = find_limb(Photo(picture), None, NO_FRUIT, SCALE)
        assert not limb.found
        assert limb.flags == Flag.LIMB_NOT_FOUND
        assert np.isnan(limb.length_px)


def test_tiny_photos_do_not_crash() -> None:
    for shape in ((1, 1, 3), (2, 9, 3), (12, 10, 3)):
        limb = find_limb(Photo(np.zeros(shape, np.uint8)), None, NO_FRUIT, Scale())
        assert isinstance(limb, Limb)


def test_without_scale_lengths_stay_in_px() -> None:
    picture, _ = draw(LimbView())
    limb = find_limb(Photo(picture), None, NO_FRUIT, Scale())
    assert limb.found
    assert np.isnan([limb.length_mm, limb.base_diameter_mm, limb.tip_diameter_mm]).all()
    assert limb.diameter_source == "none"


@pytest.mark.parametrize("name", ["peach-against-light", "plum-apricot-row"])
def test_leaving_the_frame_is_told(name: str) -> None:
    whole = read_photo(SAMPLES / f"{name}.jpg")
    part = Photo(np.ascontiguousarray(whole.rgb[:, : whole.rgb.shape[1] * 6 // 10]))
    inside, outside = (find_limb(photo, None, NO_FRUIT, SCALE) for photo in (whole, part))
    assert Flag.LIMB_LEAVES_FRAME not in inside.flags
    assert Flag.LIMB_LEAVES_FRAME in outside.flags


def test_marked_ends_are_kept() -> None:
    picture, line = draw(LimbView())
    base, tip = line[40], line[350]
    limb = find_limb(Photo(picture), None, NO_FRUIT, SCALE, base_px=base, tip_px=tip)
    assert limb.by_hand
    assert np.hypot(*(limb.line_px[0] - base)) < 1e-6
    assert np.hypot(*(limb.line_px[-1] - tip)) < 1e-6
    assert apart(limb.line_px, line) < 4
    turned = find_limb(Photo(picture), None, NO_FRUIT, SCALE, base_px=tip, tip_px=base)
    assert np.hypot(*(turned.line_px[0] - tip)) < 1e-6
    one = find_limb(Photo(picture), None, NO_FRUIT, SCALE, base_px=line[5])
    assert np.hypot(*(one.line_px[0] - line[5])) < 1e-6
    assert np.hypot(*(one.line_px[-1] - line[-1])) < 60


def test_drawn_line_is_taken_as_it_is() -> None:
    picture, line = draw(LimbView())
    limb = find_limb(Photo(picture), None, NO_FRUIT, SCALE, line_px=line[::40])
    assert limb.by_hand
    assert apart(limb.line_px, line) < 2
    assert limb.base_diameter_mm == pytest.approx(13.0, rel=0.1)


def test_trace_between_snaps_to_the_wood() -> None:
    picture, line = draw(LimbView())
    traced = trace_between(Photo(picture), line[30], line[370])
    assert np.allclose(traced[[0, -1]], line[[30, 370]])
    assert apart(traced, line) < 4
    near = trace_between(Photo(picture), (50, 50), (51, 51))
    assert near.shape[1] == 2


@pytest.mark.parametrize(
    "options",
    [
        {"base_px": (-50, 5)},
        {"tip_px": (float("nan"), 5)},
        {"line_px": np.zeros((1, 2))},
        {"line_px": np.full((3, 2), 7.0)},
    ],
)
def test_bad_marks_are_refused(options: dict[str, object]) -> None:
    with pytest.raises(BadInputError):
        find(LimbView(), **options)


def test_caliper_readings_win() -> None:
    limb, _ = find(LimbView())
    both = with_caliper(limb, {"base_diameter_mm": 14.2, "tip_diameter_mm": 6.6})
    assert (both.base_diameter_mm, both.tip_diameter_mm) == (14.2, 6.6)
    assert both.diameter_source == "caliper"
    assert Flag.DIAMETER_DOUBTFUL not in both.flags
    one = with_caliper(limb, {"base_diameter_mm": 14.2})
    assert one.tip_diameter_mm == limb.tip_diameter_mm
    assert with_caliper(limb, {"tip_diameter_mm": float("nan")}) is limb
    with pytest.raises(BadInputError, match="base_diameter_mm"):
        with_caliper(limb, {"base_diameter_mm": -1})


def test_curve_of_the_drawing_is_even() -> None:
    steps = np.hypot(*np.diff(curve(LimbView().points), axis=0).T)
    assert steps.max() / steps.min() < 1.01


def test_nodes_and_gaps_hardly_move_the_taper() -> None:
    line = np.column_stack([np.arange(80.0) * 10, np.zeros(80)])
    share = np.linspace(0, 1, 80)
    width = 40 - 25 * share
    width[::8] *= 1.25  # swollen nodes
    width[1::8] *= 1.15
    width[30:44] = np.nan  # behind a leaf
    taper = fit_taper(line, width)
    assert taper.first_px == pytest.approx(40, rel=0.04)
    assert taper.last_px == pytest.approx(15, rel=0.06)
    assert taper.slope_z < -2
    assert np.isnan(fit_taper(line[:7], width[:7]).first_px)


def test_the_whole_search_meets_both_ends() -> None:
    gentle = ((60, 420), (300, 335), (520, 250), (760, 150))
    picture, line = draw(LimbView(points=gentle, leaves=20, leaves_over=0, seed=2))
    limb = find_limb(Photo(picture), None, NO_FRUIT, Scale())
    assert limb.length_px == pytest.approx(along_line(line)[-1], rel=0.05)


def test_only_a_near_edge_is_reached_for() -> None:
    line = np.column_stack([np.linspace(10, 80, 50), np.full(50, 40.0)])
    assert extended(line, (100, 84), False, True)[-1][0] == pytest.approx(83)
    assert extended(line, (100, 95), False, True) is line  # 14 px is more than 4 % of 100


@pytest.mark.skipif(not (SAMPLES / "truth.json").is_file(), reason="no bundled samples here")
def test_two_taps_at_the_true_ends_give_the_limb_of_the_samples() -> None:
    # Against the renderer's own lines: within 1 % of the long side, the mean of the samples over
    # 0.97 and none under 0.85: best cases, since the samples were looked at while it was made.
    right = []
    for truth in read_truth_json(SAMPLES / "truth.json"):
        photo = read_photo(SAMPLES / truth.name)
        h, w = photo.rgb.shape[:2]
        inside = ((truth.limb_line_px >= 0) & (truth.limb_line_px <= (w - 1, h - 1))).all(axis=1)
        known = truth.limb_line_px[inside]
        points = resampled(trace_between(photo, known[0], known[-1]), 200)
        gap = nearest_on_line(known, points[:, 0], points[:, 1])[1]
        right.append(float((gap < 0.01 * max(h, w)).mean()))
    assert np.mean(right) > 0.97
    assert min(right) > 0.85
