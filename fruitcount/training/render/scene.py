"""One photograph's worth of orchard from a seed: limb, leaves, fruit, card, background, camera."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import card as card_mod
from . import fruit as fruit_mod
from . import leaves, light, wood
from .camera import Camera, aim
from .dress import (
    add_decoys,
    add_foreground_leaf,
    add_leaves,
    add_shade,
    keep_clear,
    leafy,
    thin_leaves,
)
from .kinds import KIND_WEIGHTS, KINDS, SPLITTING, Kind, at_shuck_split
from .mesh import across, unit
from .parts import Bench, Options, Scene, empty_bufs
from .setting import Setting, add_setting
from .surround import add_all_fruit, add_background

ZOOMS = ("whole", "mid", "close", "far")
ZOOM_OPEN, ZOOM_DENSE = (0.37, 0.4, 0.18, 0.05), (0.15, 0.55, 0.3, 0.0)
DENSE_LIGHTS, DENSE_LIGHT_SHARES = ("sun", "backlight", "mixed", "shade"), (0.42, 0.3, 0.2, 0.08)


@dataclass(frozen=True)
class _Plan:
    """First draws of a scene: the camera, and the target limb's heading, length and thickness."""

    cam: Camera
    heading: NDArray[Any]
    length_mm: float
    base_mm: float
    fruit_mm: float
    zoom: str
    px_per_mm: float
    dense: bool


def view_direction(rng: np.random.Generator, background: str | None) -> NDArray[Any]:
    """Direction the camera looks in: down on the ground, level, or up at the sky."""
    b = background or str(rng.choice(["ground", "level", "sky"], p=[0.45, 0.3, 0.25]))
    pitch = {
        "ground": rng.uniform(-75, -20),
        "level": rng.uniform(-15, 10),
        "sky": rng.uniform(10, 50),
    }[b]
    p, y = np.deg2rad(pitch), rng.uniform(0, 2 * np.pi)
    return np.array([np.cos(p) * np.cos(y), np.cos(p) * np.sin(y), np.sin(p)])


def pixel_scale(
    rng: np.random.Generator,
    zoom: str,
    size: tuple[int, int],
    length_mm: float,
    fruit_mm: float,
    angle: float,
) -> float:
    """Pixels a mm at the limb for a zoom named 'close', 'mid', 'whole' or 'far'."""
    w, h = size
    k = max(w, h) / 960
    extent = min(w / max(abs(np.cos(angle)), 1e-3), h / max(abs(np.sin(angle)), 1e-3))
    whole = extent / length_mm * rng.uniform(0.85, 1.5)
    by_fruit = {
        "close": rng.uniform(60, 115),
        "mid": rng.uniform(30, 62),
        "far": rng.uniform(11, 18),
        "whole": rng.uniform(17, 26),
    }[zoom]
    return float(max(by_fruit * k / fruit_mm, whole if zoom != "far" else 0))


def choose_card(
    rng: np.random.Generator, cam: Camera, stems: list[wood.Stem], fr: fruit_mod.Fruit
) -> tuple[card_mod.Card, NDArray[Any]] | None:
    """A card beside the limb, in the frame, over as few fruit as can be had in 24 tries."""
    main = stems[0]
    best: tuple[float, card_mod.Card, NDArray[Any]] | None = None
    for _ in range(24):
        side = float(rng.choice(card_mod.SIDES_MM[:4]))
        p, d, r = main.at(np.array([rng.uniform(0.05, 0.95) * main.arc[-1]]))
        away = across(cam.forward, np.cross(cam.forward, d[0])) * rng.choice([-1, 1])
        off = away * (r[0] + side * rng.uniform(0.75, 1.6)) - cam.forward * rng.uniform(-5, 18)
        c = card_mod.place(rng, cam.eye, p[0], off, side)
        o, _ = cam.project(c.outline)
        if (o < 6).any() or (o > np.array([cam.width, cam.height]) - 7).any():
            continue
        px, _ = cam.project(fr.centre) if len(fr) else (np.zeros((0, 2)), None)
        cover = float(((px > o.min(0)) & (px < o.max(0))).all(1).sum()) + 0.01 * rng.random()
        if best is None or cover < best[0]:
            best = (cover, c, p[0])
    return None if best is None else best[1:]


def _plan(rng: np.random.Generator, kind: Kind, opt: Options) -> _Plan:
    """Camera and limb that fit each other; the camera still aims at the origin."""
    size = opt.size if rng.random() >= opt.portrait_frac else opt.size[::-1]
    fwd = view_direction(rng, opt.background)
    length = rng.uniform(250, 1100)
    base_mm = rng.uniform(6, 14) if rng.random() < 0.7 else rng.uniform(14, 30)
    dense = bool(rng.random() < opt.dense_frac)
    # in full leaf soon after bloom: the leaves have outgrown the fruit
    fruit_mm = rng.uniform(kind.diameter_mm[0], kind.diameter_mm[1] * (0.7 if dense else 1.0))
    angle = rng.uniform(0, 2 * np.pi)
    zoom = opt.zoom or str(rng.choice(ZOOMS, p=ZOOM_DENSE if dense else ZOOM_OPEN))
    px_mm = pixel_scale(rng, zoom, size, length, fruit_mm, angle)
    fov = rng.uniform(42, 70)
    cam = aim(
        fwd,
        np.zeros(3),
        max(size) / 2 / np.tan(np.deg2rad(fov) / 2) / px_mm,
        size=size,
        fov_deg=fov,
        roll=rng.normal(0, 0.12),
        aperture=float(rng.choice([2.0, 4.0, 7.0, 14.0], p=[0.3, 0.4, 0.2, 0.1])),
    )
    heading = unit(
        np.cos(angle) * cam.right + np.sin(angle) * cam.up + rng.normal(0, 0.18) * cam.forward
    )
    return _Plan(cam, heading, length, base_mm, fruit_mm, zoom, px_mm, dense)


def _limb(
    rng: np.random.Generator, kind: Kind, plan: _Plan
) -> tuple[list[wood.Stem], wood.Nodes, fruit_mod.Fruit]:
    """Wood of the target limb, its nodes and its fruit."""
    shoots = int(rng.choice([0, 1, 2, 3, 5], p=[0.3, 0.25, 0.2, 0.15, 0.1]))
    stems = wood.grow(rng, np.zeros(3), plan.heading, plan.length_mm, plan.base_mm, shoots)
    nodes = wood.place_nodes(rng, stems, kind)
    crop = rng.gamma(2.0, 4) if plan.dense else rng.gamma(2.2, 7)
    wanted = int(np.clip(crop, 4, 40) * np.clip(plan.length_mm / 600, 0.5, 1.3))
    sites = fruit_mod.pick_sites(rng, nodes, kind, max(4, wanted))
    fr = fruit_mod.hang(rng, nodes, kind, sites, plan.fruit_mm)
    fruit_mod.push_apart(fr, stems)
    return stems, nodes, fr


def build(seed: int, opt: Options) -> Scene:
    """Everything from `seed`; the same seed and options give the same scene."""
    rng = np.random.default_rng(seed)
    kind = (
        next(k for k in KINDS if k.name == opt.kind)
        if opt.kind
        else KINDS[rng.choice(len(KINDS), p=KIND_WEIGHTS)]
    )
    if kind in SPLITTING and rng.random() < opt.shuck_frac:
        kind = at_shuck_split(kind, float(rng.uniform(0.15, 0.9)))
    plan = _plan(rng, kind, opt)
    stems, nodes, fr = _limb(rng, kind, plan)
    focus = _focus(rng, fr, plan.zoom)
    cam = replace(plan.cam, eye=plan.cam.eye + focus)
    found = choose_card(rng, cam, stems, fr) if rng.random() < opt.card_frac else None
    at = Bench(rng, empty_bufs(), kind, cam, opt)
    z = _fill_limb(at, stems, nodes, fr, found, plan)
    setting = Setting([], [])
    if np.random.default_rng([seed, 87]).random() < opt.setting_frac:
        setting = add_setting(at.bufs, cam, stems, seed)
        _fill_bare(at, setting)
    usual = str(rng.choice(DENSE_LIGHTS, p=DENSE_LIGHT_SHARES)) if plan.dense else None
    lit = light.choose(rng, cam, opt.light or usual)
    every, grids = _fill_rest(at, plan, (lit, setting), fr, z)
    bark = kind.bark[rng.integers(len(kind.bark))]
    look = {
        "leaf_rough": float(rng.uniform(0.32, 0.6)),
        "leaf_spec": float(rng.uniform(0.4, 1.0)),
        "zoom": plan.px_per_mm,
        "vivid": float(rng.uniform(0, 0.6) if rng.random() < 0.7 else 0.0),
    }
    card = found[0] if found else None
    return Scene(seed, kind, at.bufs, cam, lit, stems, every, grids, card, bark, focus, look)


def _focus(rng: np.random.Generator, fr: fruit_mod.Fruit, zoom: str) -> NDArray[Any]:
    """Where to point: the limb's middle, or near some fruit in a close picture."""
    if zoom in ("whole", "far") or len(fr) == 0:
        return rng.normal(size=3) * 15
    i = rng.integers(len(fr))
    near = np.argsort(np.linalg.norm(fr.centre - fr.centre[i], axis=1))[:4]
    return np.asarray(fr.centre[near].mean(0) + rng.normal(size=3) * fr.diameter.mean() * 0.8)


def _fill_limb(
    at: Bench,
    stems: list[wood.Stem],
    nodes: wood.Nodes,
    fr: fruit_mod.Fruit,
    found: tuple[card_mod.Card, NDArray[Any]] | None,
    plan: _Plan,
) -> float:
    """The target limb with its leaves and card; returns the height of the ground in mm."""
    rng, bits = at.rng, at.bufs["wood"]
    wood.add_stems(bits, rng, stems, nodes, wood.OBJ_TARGET)
    size = float(np.clip(0.45 + plan.fruit_mm / 40 + rng.normal(0, 0.12), 0.4, 1.1))
    if plan.dense:
        parts = [
            leafy(rng, nodes, at.kind, float(rng.uniform(0.75, 1.3)), share, bits)
            for share in (rng.uniform(0.7, 1.0), rng.uniform(0.0, 0.6))
        ]
        lv = leaves.join(parts)
        lv = thin_leaves(rng, lv, at.cam, stems, fr, float(rng.uniform(0.15, 0.8)))
    else:
        lv = leafy(rng, nodes, at.kind, size, rng.uniform(0.3, 1.0), bits)
    add_decoys(at, nodes)
    card = found[0] if found and rng.random() < at.opt.clear_card else None
    add_leaves(at, keep_clear(lv, at.cam, card))
    if found:
        card_mod.add(at.bufs["card"], bits, found[0], found[1], rng)
    return float(-rng.uniform(500, 1500))


def _fill_bare(at: Bench, setting: Setting) -> None:
    """The stems of a setting that bear no fruit, with few leaves."""
    for stem in setting.bare:
        nodes = wood.place_nodes(at.rng, [stem], at.kind)
        wood.add_stems(at.bufs["wood"], at.rng, [stem], nodes, wood.OBJ_OTHER)
        few = leafy(at.rng, nodes, at.kind, 0.6, at.rng.uniform(0.0, 0.3), at.bufs["wood"])
        add_leaves(at, keep_clear(few, at.cam, None))


def _fill_rest(
    at: Bench, plan: _Plan, around: tuple[light.Light, Setting], fr: fruit_mod.Fruit, z: float
) -> tuple[fruit_mod.Fruit, NDArray[Any]]:
    """Fruit of the target limb, other limbs behind, ground, far trees and unseen shade leaves."""
    rng, (lit, setting) = at.rng, around
    every, grids = add_all_fruit(at, fr, None, plan.fruit_mm, sisters=setting.sisters)
    p, h = light.canopy(rng, lit, at.cam, plan.length_mm)
    if len(p):
        add_shade(at, p, h)
    for _ in range(int(rng.integers(0, 3)) if plan.dense else int(rng.random() < 0.1)):
        add_foreground_leaf(at)
    add_background(at, z)
    return every, grids
