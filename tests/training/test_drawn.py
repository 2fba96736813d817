"""Limbs drawn by chance to judge by: the same number gives the same limb, in its set bounds."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from fruitcount.image.card import card_side_mm
from fruitcount.training.render.around import SIDES, scenes_around
from fruitcount.training.render.drawn import drawn_shot, shot
from fruitcount.training.render.shots import SHOTS


def test_a_number_is_always_the_same_limb_and_another_is_not() -> None:
    assert drawn_shot(7) == drawn_shot(7) == shot("drawn-7")
    assert drawn_shot(7) != drawn_shot(8)


def test_drawn_limbs_are_of_the_samples_making_but_none_of_them() -> None:
    drawn = [drawn_shot(k) for k in range(200)]
    for field in dataclasses.fields(SHOTS[0]):
        if field.name in ("species", "light", "background", "size"):
            known = {getattr(s, field.name) for s in SHOTS}
            assert {getattr(s, field.name) for s in drawn} <= known
    assert {s.species for s in drawn} == {s.species for s in SHOTS}
    assert not {s.seed for s in drawn} & {s.seed for s in SHOTS}
    for s in drawn:
        assert 4 <= s.fruit <= 36
        assert s.base_mm > 1.4 * s.tip_mm
        assert card_side_mm(s.card_id) in (40.0, 50.0, 60.0)
        assert 9 <= s.fruit_mm <= 21
        assert s.kind.diameter_mm[0] <= s.fruit_mm <= s.kind.diameter_mm[1]
    yellowing = [s for s in drawn if s.yellow_frac]
    assert 0.5 < len(yellowing) / len(drawn) < 0.8


def test_names_are_those_of_samples_or_numbers() -> None:
    assert shot(SHOTS[3].name) is SHOTS[3]
    for name in ("drawn-", "drawn-x", "no such sample"):
        with pytest.raises(KeyError):
            shot(name)


def test_a_limb_from_several_sides_is_one_limb() -> None:
    views = dict(scenes_around(dataclasses.replace(drawn_shot(6004), others=0)))
    assert tuple(views) == SIDES
    own = views["front"].fruit.on_limb
    for scene in views.values():
        assert (scene.fruit.centre[own] == views["front"].fruit.centre[own]).all()
        px, depth = scene.cam.project(scene.stems[0].points)
        assert (depth > 0).all()
        assert ((px > -1) & (px < np.array([scene.cam.width, scene.cam.height]))).all()
        assert scene.card is not None
        to_eye = scene.cam.eye - scene.card.centre
        faces = np.cross(scene.card.right, scene.card.up) @ to_eye / np.linalg.norm(to_eye)
        assert faces > 0.7
    front, back = (views[k].cam.forward for k in ("front", "back"))
    assert front[:2] @ back[:2] < 0
