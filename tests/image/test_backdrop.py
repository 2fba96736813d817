"""A sheet behind a limb is told from sky and leaves; what lies before it is told exactly."""

import cv2
import numpy as np
import pytest
from skimage.draw import polygon2mask

from fruitcount.image.quality import backdrop, inside, sheet_behind


def _leaves(rng):
    """Random green patches of leaf size."""
    grid = rng.integers(20, 160, (40, 60))
    green = cv2.resize(grid.astype(np.uint8), (900, 600), interpolation=cv2.INTER_NEAREST)
    return np.stack([green // 2, green, green // 4], axis=-1).astype(np.uint8)


def _cloth(rgb, corners, colour, rng):
    """A wrinkled sheet with a thin dark limb before it."""
    fold = cv2.GaussianBlur(rng.normal(0, 1, rgb.shape[:2]).astype(np.float32), (0, 0), 5)
    fold = 1 + 0.08 * fold / fold.std()
    mask = cv2.fillPoly(np.zeros(rgb.shape[:2], np.uint8), [np.array(corners)], 1) > 0
    sheet = np.clip(np.array(colour) * fold[..., None], 0, 255).astype(np.uint8)
    out = np.where(mask[..., None], sheet, rgb)
    return cv2.line(out, (0, 320), (900, 280), (80, 60, 50), 14)


CORNERS = [(120, 60), (820, 100), (780, 560), (160, 520)]


@pytest.mark.parametrize("colour", [(225, 225, 220), (120, 122, 118), (60, 90, 170), (38, 38, 40)])
def test_a_cloth_of_any_plain_colour_is_outlined(colour):
    rng = np.random.default_rng(3)
    outline = backdrop(_cloth(_leaves(rng), CORNERS, colour, rng))
    found, drawn = (
        polygon2mask((600, 900), np.array(line)[:, ::-1]) for line in (outline, CORNERS)
    )
    assert (found & drawn).sum() / (found | drawn).sum() > 0.85


def test_leaves_and_sky_are_no_sheet():
    rng = np.random.default_rng(4)
    leaves = _leaves(rng)
    assert len(backdrop(leaves)) == 0
    sky = leaves.copy()
    sky[:400] = np.linspace(190, 225, 400)[:, None, None].astype(np.uint8)
    assert len(backdrop(sky)) == 0
    assert len(backdrop(np.full((60, 80, 3), 255, np.uint8))) == 0


@pytest.mark.parametrize("colour", [(222, 224, 226), (120, 122, 118), (60, 90, 170)])
def test_a_smooth_board_is_seen_by_its_edges(colour):
    rng = np.random.default_rng(6)
    mask = cv2.fillPoly(np.zeros((600, 900), np.uint8), [np.array(CORNERS)], 1) > 0
    shade = np.linspace(0.92, 1.04, 900)[None, :, None] * np.ones((600, 1, 1))
    even = np.clip(np.array(colour) * shade, 0, 255).astype(np.uint8)
    photo = np.where(mask[..., None], even, _leaves(rng))
    photo = cv2.line(photo, (0, 320), (900, 280), (80, 60, 50), 14)
    found, drawn = (
        polygon2mask((600, 900), np.array(line)[:, ::-1]) for line in (backdrop(photo), CORNERS)
    )
    assert (found & drawn).sum() / (found | drawn).sum() > 0.85


def test_what_stands_behind_the_trees_is_no_sheet():
    """A tunnel looks like one, but the fruit hang elsewhere; without fruit nobody can tell."""
    rng = np.random.default_rng(7)
    photo = _cloth(_leaves(rng), CORNERS, (225, 225, 220), rng)
    before, aside = np.array([[300.0], [300.0]]), np.array([[60.0] * 5, [40.0] * 5])
    assert len(sheet_behind(photo, *before))
    assert not len(sheet_behind(photo, *aside))
    assert len(sheet_behind(photo, *np.c_[before, before, aside]))
    assert len(sheet_behind(photo, *np.zeros((2, 0))))


def test_a_limb_that_runs_out_of_it_was_not_held_before_it():
    rng = np.random.default_rng(8)
    photo = _cloth(_leaves(rng), CORNERS, (225, 225, 220), rng)
    fruit = np.array([[300.0, 400.0], [300.0, 310.0]])
    limb = np.column_stack([np.linspace(200, 700, 40), np.full(40, 300.0)])
    assert len(sheet_behind(photo, *fruit, limb))
    assert not len(sheet_behind(photo, *fruit, limb * [1.6, 1.0] - [180, 0]))
    assert len(sheet_behind(photo, *fruit, limb[:0]))


def test_inside_agrees_with_a_geometry_library():
    """Against OpenCV's point in polygon."""
    rng = np.random.default_rng(5)
    at = rng.uniform(0, 900, (300, 2))
    line = np.array(CORNERS, np.float32)
    told = inside(line.astype(float), at[:, 0], at[:, 1])
    assert told.tolist() == [cv2.pointPolygonTest(line, tuple(p), False) > 0 for p in at]
    assert inside(np.zeros((0, 2)), at[:, 0], at[:, 1]).all()
