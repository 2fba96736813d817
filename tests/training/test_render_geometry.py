"""Geometry of the rendered training photographs (plain numpy, no renderer)."""

from __future__ import annotations

import numpy as np
import pytest

from fruitcount.training.render import card, drawn, staging, truth
from fruitcount.training.render.camera import aim
from fruitcount.training.render.parts import Options
from fruitcount.training.render.scene import build


def test_same_seed_same_scene() -> None:
    a, b = build(5, Options()), build(5, Options())
    for name in a.bufs:
        for x, y in zip(a.bufs[name].arrays(), b.bufs[name].arrays(), strict=True):
            np.testing.assert_array_equal(x, y)


@pytest.mark.parametrize("seed", range(8))
def test_scene_is_sound(seed: int) -> None:
    sc = build(seed, Options(card_frac=1.0))
    for buf in sc.bufs.values():
        v, n, _, col, f, obj = buf.arrays()
        assert np.isfinite(v).all()
        assert np.isfinite(col).all()
        np.testing.assert_allclose(np.linalg.norm(n, axis=1), 1, atol=1e-3)
        assert f.min() >= 0
        assert f.max() < len(v)
        assert len(obj) == len(f)
    assert len(sc.fruit) >= 4
    along = sc.fruit.along_mm[sc.fruit.on_limb]
    assert (along >= 0).all()
    assert (along <= sc.stems[0].arc[-1] + 1).all()


def test_camera_projection_inverts_directions() -> None:
    cam = aim(
        np.array([0.3, 0.8, -0.4]),
        np.zeros(3),
        500.0,
        size=(640, 480),
        fov_deg=60,
        roll=0.2,
        aperture=4,
    )
    px = np.array([[0.0, 0.0], [639.0, 10.5], [319.5, 239.5]])
    back, depth = cam.project(cam.eye + cam.directions(px) * 700)
    np.testing.assert_allclose(back, px, atol=1e-6)
    assert (depth > 0).all()
    np.testing.assert_allclose(cam.directions(px)[2], cam.forward, atol=1e-9)


def test_polygon_area_of_projected_sphere_outline() -> None:
    rng = np.random.default_rng(0)
    p = rng.normal(size=(4000, 2))
    p = p / np.linalg.norm(p, axis=1, keepdims=True) * 20 + [100, 50]
    area, x, y = truth.area_centre(truth.hull(truth.extreme(p)))
    assert area == pytest.approx(np.pi * 400, rel=0.01)
    assert (x, y) == (pytest.approx(100, abs=0.2), pytest.approx(50, abs=0.2))


def test_marker_bits_agree_with_opencv() -> None:
    # reference: cv2.aruco.generateImageMarker (OpenCV)
    cv2 = pytest.importorskip("cv2")
    d = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for i in range(50):
        ref = cv2.aruco.generateImageMarker(d, i, 6, borderBits=1) > 127
        np.testing.assert_array_equal(card.marker_bits(i) > 0.5, ref)


@pytest.mark.parametrize("name", ["peach-34in-heavy", "plum-steep-card", "cherry-bunches"])
def test_sample_keeps_limb_card_and_scale(name: str) -> None:
    s = drawn.shot(name)
    sc = staging.stage(s)
    size = np.array([sc.cam.width, sc.cam.height])
    line, z = sc.cam.project(sc.stems[0].points)
    edge, zc = sc.cam.project(sc.card.outline)
    for p in (line, edge):
        assert (p > 0.015 * size.min()).all()
        assert (p < size - 0.015 * size.min()).all()
    assert sc.stems[0].arc[-1] == pytest.approx(s.length_mm, rel=1e-6)
    assert zc.mean() == pytest.approx(z.mean(), rel=0.005)
    assert sc.fruit.on_limb.sum() == s.fruit
    assert sc.card.side_mm == card.side_of(s.card_id)


def test_card_number_tells_its_side() -> None:
    rng = np.random.default_rng(0)
    for side in card.SIDES_MM:
        assert card.side_of(card.number_for(side, rng)) == side
    for sc in (build(k, Options(card_frac=1.0)) for k in range(3)):
        assert sc.card is None or sc.card.side_mm == card.side_of(sc.card.marker_id)
