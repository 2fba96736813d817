"""The limb begins at the branch that bears it; what is behind it is told by its blur."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from limb.drawn_limb import LimbView, draw

from fruitcount.limb.centre import Band, fit_taper
from fruitcount.limb.find import find_limb
from fruitcount.limb.joint import cut_at_joints
from fruitcount.limb.shoots import edge_width_px
from fruitcount.lines import resampled
from fruitcount.types import Fruitlets, Maps, Photo, Scale


def borne_limb() -> tuple[np.ndarray, Maps, np.ndarray]:
    """A limb leaving a thick upright branch at x = 60: picture, its wood map, the limb's line."""
    view = LimbView(leaves_over=0, leaves=0, noise=0)
    picture, line = draw(view)
    wood = np.zeros(picture.shape[:2], np.float32)
    for k, (x, y) in enumerate(line):
        width = view.base_px + (view.tip_px - view.base_px) * k / (len(line) - 1)
        cv2.circle(wood, (round(x), round(y)), round(width / 2), 1.0, -1)
    wood[:, 10:110] = 1
    picture[:, 10:110] = (110, 80, 65)
    blank = np.full_like(wood[::2, ::2], np.nan)
    return picture, Maps(blank, blank, wood[::2, ::2], 2.0, "drawn"), line


def test_limb_begins_at_its_collar() -> None:
    picture, maps, line = borne_limb()
    scale = Scale(px_per_mm=2.0, rel_sd_frac=0.01, source="card")
    limb = find_limb(Photo(picture), maps, Fruitlets.empty(), scale)
    # The branch's side is at x = 110, drawn; the map's cells are 2 px.
    assert limb.line_px[0][0] == pytest.approx(110, abs=5)
    assert np.hypot(*(limb.line_px[-1] - line[-1])) < 8


def test_the_borne_end_is_told_on_either_side() -> None:
    _, maps, line = borne_limb()
    there = cut_at_joints(maps, Band(line[::2], np.ones(200), 10.0))
    assert (there.at_start, there.at_end) == (True, False)
    back = cut_at_joints(maps, Band(line[::-2], np.ones(200), 10.0))
    assert (back.at_start, back.at_end) == (False, True)
    assert len(back.band.support) == len(back.band.line_px) < 200
    np.testing.assert_allclose(back.band.line_px[-1], there.band.line_px[0], atol=3)


def test_a_path_that_turns_along_the_parent_is_cut_at_the_collar() -> None:
    _, maps, line = borne_limb()
    in_parent = np.column_stack([np.full(40, 62.0), np.linspace(line[0, 1] - 120, line[0, 1], 40)])
    path = resampled(np.vstack([in_parent, line[line[:, 0] > 66]]), 200)
    cut = cut_at_joints(maps, Band(path, np.ones(200), 10.0))
    assert cut.at_start
    assert cut.band.line_px[0, 0] == pytest.approx(110, abs=5)
    # The limb's own line, not the bend, is carried back: drawn middle at x = 110.
    assert cut.band.line_px[0, 1] == pytest.approx(np.interp(110, *line.T), abs=6)


def test_a_path_that_stops_short_is_carried_to_the_collar() -> None:
    _, maps, line = borne_limb()
    maps.wood[190:225, 55:70] = 0  # a leaf before the last 28 px of the limb
    part = resampled(line[line[:, 0] > 140], 200)
    cut = cut_at_joints(maps, Band(part, np.ones(200), 10.0))
    assert cut.at_start
    assert cut.band.line_px[0, 0] == pytest.approx(110, abs=6)


def test_a_branch_behind_the_tip_does_not_make_it_the_base() -> None:
    _, maps, line = borne_limb()
    maps.wood[:, 395:410] = 1  # upright, 30 px wide, just past the limb's tip
    cut = cut_at_joints(maps, Band(line[::2], np.ones(200), 10.0))
    assert (cut.at_start, cut.at_end) == (True, False)


def test_nothing_is_cut_without_a_map_or_a_parent() -> None:
    _, maps, line = borne_limb()
    free = Band(line[80::2], np.ones(160), 10.0)
    assert cut_at_joints(maps, free).band is not None
    assert len(cut_at_joints(maps, free).band.line_px) == 160
    assert cut_at_joints(None, free).band is free
    short = Band(line[:5], np.ones(5), 10.0)
    assert cut_at_joints(maps, short).band is short


@pytest.mark.parametrize("sigma", [2.0, 4.0])
def test_edge_width_of_a_blurred_step(sigma: float) -> None:
    picture = np.full((80, 200, 3), 40.0)
    picture[:30] = picture[50:] = 200.0
    picture = cv2.GaussianBlur(picture, (0, 0), sigma)
    line = np.array([[20.0, 39.5], [180.0, 39.5]])
    width = edge_width_px(Photo(picture.astype(np.uint8)), line, 10.0)
    # Steepest slope of a Gaussian-blurred step: height / (sigma * sqrt(2 pi)).
    assert width == pytest.approx(sigma * np.sqrt(2 * np.pi), rel=0.12)
    assert np.isnan(edge_width_px(Photo(picture.astype(np.uint8)), line + 900, 10.0))


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
