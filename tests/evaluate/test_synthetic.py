"""Drawn scenes: the truth told is the truth drawn."""

from __future__ import annotations

import numpy as np
import pytest

from fruitcount.errors import BadInputError
from fruitcount.evaluate.strokes import draw_card, draw_fruit
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.image.card import find_card
from fruitcount.types import Kind


def test_same_seed_same_photo() -> None:
    first, truth = draw_scene(5)
    again, _ = draw_scene(5)
    other, _ = draw_scene(6)
    assert first.sha256 == again.sha256 != other.sha256
    assert (truth.width_px, truth.height_px) == (first.width_px, first.height_px)
    assert len(truth) == 16


def test_lengths_agree_with_the_pixels() -> None:
    _, truth = draw_scene(2)
    np.testing.assert_allclose(2 * truth.r_px, truth.diameter_mm * truth.px_per_mm)
    chord = np.linalg.norm(truth.limb_line_px[-1] - truth.limb_line_px[0]) / truth.px_per_mm
    assert chord <= truth.limb_length_mm < 1.2 * chord
    # along_mm is the arc length to the nearest point of the line.
    steps = np.linalg.norm(np.diff(truth.limb_line_px, axis=0), axis=1)
    arc = np.concatenate([[0], np.cumsum(steps)]) / truth.px_per_mm
    centres = np.column_stack([truth.x_px, truth.y_px])
    near = np.linalg.norm(centres[:, None] - truth.limb_line_px[None], axis=2).argmin(axis=1)
    np.testing.assert_allclose(arc[near], truth.along_mm, atol=3.0)


def test_disc_area_is_that_of_a_circle() -> None:
    canvas = np.zeros((80, 80, 3), np.float32)
    owner = np.full((80, 80), -1, np.int32)
    rng = np.random.default_rng(0)
    draw_fruit(canvas, (40.3, 39.6, 20.0), (100, 100, 100), rng=rng, owner=owner, index=4)
    rows, columns = np.nonzero(owner == 4)
    assert len(rows) == pytest.approx(np.pi * 20**2, rel=0.01)
    assert columns.mean() == pytest.approx(40.3, abs=0.05)
    assert rows.mean() == pytest.approx(39.6, abs=0.05)
    draw_fruit(canvas, (-50, -50, 9.0), (1, 1, 1), rng=rng)  # outside: nothing happens


def test_leaves_in_front_hide() -> None:
    _, open_truth = draw_scene(3, SceneSettings(hidden_frac=0))
    _, hidden = draw_scene(3, SceneSettings(hidden_frac=1))
    assert hidden.visible_frac.mean() < 0.85 < open_truth.visible_frac.mean()
    assert (hidden.ignore == (hidden.visible_frac < 0.5)).all()


def test_yellowing_is_small() -> None:
    _, truth = draw_scene(4, SceneSettings(fruit_n=30, yellowing_frac=0.4))
    yellow = truth.kind == Kind.YELLOWING
    assert 0 < yellow.sum() < 30
    assert truth.diameter_mm[yellow].mean() < truth.diameter_mm[~yellow].mean()


@pytest.mark.parametrize("px_per_mm", [1.7, 2.4, 5.0])
@pytest.mark.parametrize("light", ["sun", "shade", "dusk"])
def test_card_is_found_at_its_scale(px_per_mm: float, light: str) -> None:
    size = {"width_px": round(400 * px_per_mm), "height_px": round(267 * px_per_mm)}
    photo, truth = draw_scene(1, SceneSettings(px_per_mm=px_per_mm, light=light, **size))
    scale = find_card(photo)
    assert scale.px_per_mm == pytest.approx(truth.px_per_mm, rel=0.008)


def test_card_edges_are_where_they_are_said_to_be() -> None:
    canvas = np.full((60, 60, 3), 128, np.float32)
    corners = draw_card(canvas, (19.5, 19.5), 24.0, 0)
    assert corners.tolist() == [[19.5, 19.5], [43.5, 19.5], [43.5, 43.5], [19.5, 43.5]]
    grey = canvas[..., 0]
    assert (grey[20:44, 20] < 60).all()  # first black column
    assert (grey[20:44, 19] > 180).all()  # last white column
    assert (grey[:13] == 128).all()  # margin ends a quarter of the side outside


def test_no_fruit_and_no_card() -> None:
    photo, truth = draw_scene(0, SceneSettings(fruit_n=0, card_id=-1))
    assert len(truth) == 0
    assert not find_card(photo).known


@pytest.mark.parametrize(
    "change",
    [{"px_per_mm": 0}, {"fruit_n": -1}, {"light": "neon"}, {"card_id": 50}, {"width_px": 3}],
)
def test_bad_settings(change: dict[str, object]) -> None:
    with pytest.raises(BadInputError, match=next(iter(change))):
        SceneSettings(**change)  # type: ignore[arg-type]
