"""Dried flower cups of rendered young fruit (plain numpy, no renderer)."""

from __future__ import annotations

import numpy as np

from fruitcount.training.render import kinds
from fruitcount.training.render.fruit import Fruit
from fruitcount.training.render.mesh import MeshBuf, unit
from fruitcount.training.render.parts import Options
from fruitcount.training.render.scene import build
from fruitcount.training.render.shots import SHOTS
from fruitcount.training.render.shuck import add_shucks, sleeves
from fruitcount.training.render.wood import OBJ_FRUIT


def hanging(n: int) -> Fruit:
    rng = np.random.default_rng(4)
    return Fruit(
        centre=rng.normal(size=(n, 3)) * 300,
        axis=unit(rng.normal(size=(n, 3))),
        diameter=rng.uniform(8, 20, n),
        ratio=rng.uniform(1, 1.8, n),
        cls=["green"] * n,
        anchor=np.zeros((n, 3)),
        out=unit(rng.normal(size=(n, 3))),
        along_mm=np.arange(n, dtype=float),
        shoot=np.zeros(n, int),
        on_limb=np.ones(n, bool),
    )


def test_a_sleeve_goes_round_its_fruit_and_never_through_it() -> None:
    fr = hanging(40)
    made = sleeves(fr, np.random.default_rng(5))
    off = made.points - fr.centre[:, None, None]
    along = (off * fr.axis[:, None, None]).sum(-1) / (fr.diameter * fr.ratio / 2)[:, None, None]
    across = off - (off * fr.axis[:, None, None]).sum(-1, keepdims=True) * fr.axis[:, None, None]
    wide = np.linalg.norm(across, axis=-1) / (fr.diameter / 2)[:, None, None]
    assert along.min() > -1.4
    assert along.max() < 2.2
    assert wide.max() < 2.0
    # outside an ellipsoid a little smaller than the fruit: blunt ends bulge beyond it
    inside = (np.abs(along) < 0.9) & (along**2 + wide**2 < 0.8)
    assert inside.mean() < 0.01
    assert made.colours.min() > 0
    assert (made.colours[..., 0] > made.colours[..., 2]).all()  # brown, not blue or green


def test_a_shuck_bears_the_number_of_its_fruit() -> None:
    fr, paper, bits = hanging(12), MeshBuf(), MeshBuf()
    add_shucks(paper, bits, fr, 1.0, np.random.default_rng(6), 30)
    assert set(np.concatenate(paper.obj)) == set(OBJ_FRUIT + 30 + np.arange(12))
    empty = MeshBuf()
    add_shucks(empty, bits, fr, 1.0, np.random.default_rng(6), None)
    assert set(np.concatenate(empty.obj)) == {0}


def test_few_wear_it_where_the_share_is_small() -> None:
    fr, paper = hanging(400), MeshBuf()
    add_shucks(paper, MeshBuf(), fr, 0.1, np.random.default_rng(7), 0)
    worn = set(np.concatenate(paper.obj))
    assert 20 <= len(worn) <= 60


def test_a_scene_at_shuck_split_shows_them_and_a_later_one_does_not() -> None:
    def numbers(share: float) -> set[int]:
        sc = build(3, Options(kind="peach", shuck_frac=share))
        return {int(i) for i in sc.bufs["foliage"].arrays()[5] if i >= OBJ_FRUIT}

    assert len(numbers(1.0)) >= 2
    assert numbers(0.0) == set()


def test_young_fruit_are_slenderer_and_smaller() -> None:
    young = kinds.at_shuck_split(kinds.PEACH, 0.5)
    assert young.length_ratio > kinds.PEACH.length_ratio
    assert young.diameter_mm < kinds.PEACH.diameter_mm
    assert young.shuck == 0.5


def test_the_sample_photographs_show_none() -> None:
    assert all(s.kind.shuck == 0 for s in SHOTS)
