"""One photograph's worth of orchard from a seed: limb, leaves, fruit, card, background, camera."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import card as card_mod
from . import fruit as fruit_mod
from . import ground, leaves, light, wood
from .camera import Camera, aim
from .kinds import CHERRY, KIND_WEIGHTS, KINDS, Kind
from .mesh import MeshBuf, across, unit

PARTS = ("fruit", "leaf_top", "leaf_under", "wood", "foliage", "matte", "card")


@dataclass(frozen=True)
class Options:
    """What the caller may fix; None leaves it to the seed.

    `card_frac` is the chance of a scale card; `clear_card` the chance that leaves are kept off it;
    `detail` multiplies the fineness of meshes and pictures, for large photographs.
    """

    size: tuple[int, int] = (960, 720)
    portrait_frac: float = 0.3
    card_frac: float = 0.5
    clear_card: float = 0.85
    kind: str | None = None
    light: str | None = None
    zoom: str | None = None
    background: str | None = None
    detail: float = 1.0


@dataclass
class Scene:
    """Buffers a material and everything the truth needs."""

    seed: int
    kind: Kind
    bufs: dict[str, MeshBuf]
    cam: Camera
    light: light.Light
    stems: list[wood.Stem]
    fruit: fruit_mod.Fruit
    grids: NDArray[Any]
    card: card_mod.Card | None
    bark: tuple[float, float, float]
    focus: NDArray[Any]
    look: dict[str, float] = field(default_factory=dict)


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


def leafy(
    rng: np.random.Generator,
    nodes: wood.Nodes,
    kind: Kind,
    size: float,
    density: float,
    bits: MeshBuf,
) -> leaves.Leaves:
    """Leaves of one limb with their green shoots."""
    pick = np.flatnonzero(rng.random(len(nodes.s_mm)) < density)
    lv, lines = leaves.rosettes(
        rng,
        nodes.pos[pick] + nodes.out[pick] * nodes.radius[pick][:, None] * 0.7,
        nodes.out[pick],
        nodes.along[pick],
        kind,
        size,
    )
    rad = np.linspace(1.5, 0.7, 5)[None].repeat(len(lines), 0) * rng.uniform(
        0.7, 1.3, (len(lines), 1)
    )
    wood.add_twigs(bits, lines, rad, np.full(len(lines), wood.STRIP_GREEN))
    if rng.random() < 0.4 and len(lv.length):
        red = rng.random(len(lv.length)) < 0.08
        lv.variant = np.where(
            red & (lv.length < np.median(lv.length)), leaves.RED_TIP[0], lv.variant
        )
    disc = rng.random(len(lv.length)) < 0.03
    lv.length = np.where(disc, lv.length * 0.3, lv.length)
    lv.width = np.where(disc, lv.length * 0.9, lv.width)
    return lv


def add_decoys(bits: MeshBuf, rng: np.random.Generator, nodes: wood.Nodes, kind: Kind) -> None:
    """Buds and dried flower shells at nodes without fruit: things that are not fruit."""
    n = len(nodes.s_mm)
    bud = np.flatnonzero(rng.random(n) < 0.35)
    s = np.linspace(0, 1, 7)
    lines = (
        nodes.pos[bud][:, None]
        + unit(nodes.out[bud] + nodes.along[bud] * 0.6)[:, None]
        * (nodes.radius[bud][:, None] * 0.8 + s * rng.uniform(3, 7, (len(bud), 1)))[..., None]
    )
    rad = np.sin(np.pi * np.clip(s, 0.08, 0.98)) ** 0.7 * rng.uniform(0.9, 2.0, (len(bud), 1))
    wood.add_twigs(
        bits,
        lines,
        rad,
        rng.choice([wood.STRIP_OLD, wood.STRIP_DRY, wood.STRIP_GREEN], len(bud)),
        sides=7,
    )
    dry = np.flatnonzero(rng.random(n) < rng.choice([0.0, 0.1, 0.3]))
    if len(dry):
        m = len(dry)
        ghost = fruit_mod.Fruit(
            nodes.pos[dry] + nodes.out[dry] * (nodes.radius[dry] + 3)[:, None], unit(nodes.out[dry] + rng.normal(size=(m, 3)) * 0.3),
            rng.uniform(5, 10, m), np.ones(m), [fruit_mod.GREEN] * m, nodes.pos[dry], nodes.out[dry], np.zeros(m), np.zeros(m, int), np.zeros(m, bool),
        )  # fmt: skip
        fruit_mod.add_remains(bits, ghost, rng, kind)


def empty_bufs() -> dict[str, MeshBuf]:
    """A buffer a part."""
    bufs = {p: MeshBuf() for p in PARTS}
    for end in (-3e4, 3e4):  # always the same outer box, so the compiled kernels are used again
        tri = np.full((3, 3), end) + np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]]) * -np.sign(end)
        bufs["matte"].add(tri, np.array([[0, 1, 2]]), np.tile([0, 0, 1.0], (3, 1)))
    return bufs


def keep_clear(lv: leaves.Leaves, cam: Camera, card: card_mod.Card | None) -> leaves.Leaves:
    """Drop leaves hanging right before the lens and, if a card is given, those that hide it."""
    if len(lv.length) == 0:
        return lv
    tip = lv.pos + lv.heading * lv.length[:, None] * 0.9
    line = lv.pos[:, None] + (tip - lv.pos)[:, None] * np.linspace(0, 1, 6)[None, :, None]
    near = np.linalg.norm(line - cam.eye, axis=2).min(1) < 0.4 * np.linalg.norm(
        cam.eye - cam_target(cam)
    )
    keep = ~near
    if card is not None:
        px, z = cam.project(line)
        o, zc = cam.project(card.outline)
        half = (lv.width / 2 / np.maximum(z.min(1), 1) * cam.focal_px)[:, None] + 2
        lo, hi = o.min(0), o.max(0)
        over = (
            (px[..., 0] > lo[0] - half)
            & (px[..., 0] < hi[0] + half)
            & (px[..., 1] > lo[1] - half)
            & (px[..., 1] < hi[1] + half)
        ).any(1)
        keep &= ~(over & (z.min(1) < zc.max() + 30))
    return lv.take(keep)


def cam_target(cam: Camera) -> NDArray[Any]:
    """The point in focus."""
    return cam.eye + cam.forward * cam.focus_mm


def choose_card(
    rng: np.random.Generator, cam: Camera, stems: list[wood.Stem], fr: fruit_mod.Fruit
) -> tuple[card_mod.Card, NDArray[Any]] | None:
    """A card beside the limb, in the frame, over as few fruit as can be had in 24 tries."""
    main = stems[0]
    best: tuple[float, card_mod.Card, NDArray[Any]] | None = None
    for _ in range(24):
        side = float(rng.choice([30, 40, 50, 60]))
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


def build(seed: int, opt: Options) -> Scene:
    """Everything from `seed`; the same seed and options give the same scene."""
    rng = np.random.default_rng(seed)
    kind = (
        next(k for k in KINDS if k.name == opt.kind)
        if opt.kind
        else KINDS[rng.choice(len(KINDS), p=KIND_WEIGHTS)]
    )
    size = opt.size if rng.random() >= opt.portrait_frac else opt.size[::-1]
    fwd = view_direction(rng, opt.background)
    length, base_d = (
        rng.uniform(250, 1100),
        rng.uniform(6, 14) if rng.random() < 0.7 else rng.uniform(14, 30),
    )
    fruit_mm = rng.uniform(*kind.diameter_mm)
    angle = rng.uniform(0, 2 * np.pi)
    zoom = opt.zoom or str(rng.choice(["whole", "mid", "close", "far"], p=[0.37, 0.4, 0.18, 0.05]))
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
    stems = wood.grow(
        rng,
        np.zeros(3),
        heading,
        length,
        base_d,
        int(rng.choice([0, 1, 2, 3, 5], p=[0.3, 0.25, 0.2, 0.15, 0.1])),
    )
    nodes = wood.place_nodes(rng, stems, kind)
    wanted = int(np.clip(rng.gamma(2.2, 7), 4, 40) * np.clip(length / 600, 0.5, 1.3))
    fr = fruit_mod.hang(
        rng, nodes, kind, fruit_mod.pick_sites(rng, nodes, kind, max(4, wanted)), fruit_mm
    )
    fruit_mod.push_apart(fr, stems)
    focus = _focus(rng, fr, zoom)
    cam = replace(cam, eye=cam.eye + focus)
    found = choose_card(rng, cam, stems, fr) if rng.random() < opt.card_frac else None
    bufs = empty_bufs()
    z = _fill_limb(rng, bufs, kind, cam, stems, nodes, fr, found, opt, fruit_mm)
    lit = light.choose(rng, cam, opt.light)
    fr, grids = _fill_rest(rng, bufs, kind, cam, lit, fr, fruit_mm, length, z, opt)
    bark = kind.bark[rng.integers(len(kind.bark))]
    look = {
        "leaf_rough": float(rng.uniform(0.32, 0.6)),
        "leaf_spec": float(rng.uniform(0.4, 1.0)),
        "zoom": px_mm,
    }
    return Scene(
        seed, kind, bufs, cam, lit, stems, fr, grids, found[0] if found else None, bark, focus, look
    )


def _focus(rng: np.random.Generator, fr: fruit_mod.Fruit, zoom: str) -> NDArray[Any]:
    """Where to point: the limb's middle, or near some fruit in a close picture."""
    if zoom in ("whole", "far") or len(fr) == 0:
        return rng.normal(size=3) * 15
    i = rng.integers(len(fr))
    near = np.argsort(np.linalg.norm(fr.centre - fr.centre[i], axis=1))[:4]
    return fr.centre[near].mean(0) + rng.normal(size=3) * fr.diameter.mean() * 0.8


def _fill_limb(rng, bufs, kind, cam, stems, nodes, fr, found, opt, fruit_mm) -> float:  # type: ignore[no-untyped-def]
    """The target limb with its leaves and card; returns the height of the ground in mm."""
    wood.add_stems(bufs["wood"], rng, stems, nodes, wood.OBJ_TARGET)
    size = float(np.clip(0.45 + fruit_mm / 40 + rng.normal(0, 0.12), 0.4, 1.1))
    lv = leafy(rng, nodes, kind, size, rng.uniform(0.3, 1.0), bufs["wood"])
    add_decoys(bufs["wood"], rng, nodes, kind)
    card = found[0] if found and rng.random() < opt.clear_card else None
    lv = keep_clear(lv, cam, card)
    add_leaves(bufs, lv, cam, opt)
    if found:
        card_mod.add(bufs["card"], bufs["wood"], found[0], found[1], rng)
    return float(-rng.uniform(500, 1500))


def add_leaves(bufs: dict[str, MeshBuf], lv: leaves.Leaves, cam: Camera, opt: Options) -> None:
    """Leaves in three finenesses, by their length in pixels."""
    if len(lv.length) == 0:
        return
    _, z = cam.project(lv.pos)
    px = lv.length / np.maximum(np.abs(z), 30) * cam.focal_px
    for lo, hi, rows, cols in (
        (0, 40, 12, 5),
        (40, 130, 30, 5),
        (130, 1e9, int(64 * min(opt.detail, 2)), 7),
    ):
        sub = lv.take((px >= lo) & (px < hi))
        leaves.add(bufs["leaf_top"], bufs["leaf_under"], sub, cam.eye, rows=rows, cols=cols)


def fruit_detail(cam: Camera, fr: fruit_mod.Fruit) -> tuple[int, int]:
    _, z = cam.project(fr.centre)
    px = float(np.median(fr.diameter / np.maximum(z, 50)) * cam.focal_px)
    rows = int(np.clip(px * 0.8, 14, 90))
    return rows, rows + rows // 2


def _fill_rest(
    rng, bufs, kind, cam, lit, fr, fruit_mm, length, z, opt
) -> tuple[fruit_mod.Fruit, NDArray[Any]]:  # type: ignore[no-untyped-def]
    """Fruit of the target limb, other limbs behind, ground, far trees and unseen shade leaves."""
    all_fr = [fr]
    detail = fruit_detail(cam, fr)
    grids = [fruit_mod.add(bufs["fruit"], bufs["wood"], fr, kind, rng, 0, detail)]
    count = len(fr)
    for _ in range(int(rng.choice([0, 2, 4, 7, 11], p=[0.14, 0.22, 0.28, 0.22, 0.14]))):
        other = other_limb(rng, bufs, kind, cam, fruit_mm, opt)
        if len(other):
            grids.append(
                fruit_mod.add(bufs["fruit"], bufs["wood"], other, kind, rng, count, detail)
            )
            all_fr.append(other)
            count += len(other)
    p, h = light.canopy(rng, lit, cam, length)
    if len(p):
        leaves.add(
            bufs["leaf_top"],
            bufs["leaf_under"],
            leaves.make(rng, p, h, kind),
            cam.eye,
            rows=10,
            cols=5,
        )
    if rng.random() < 0.1:
        _foreground_leaf(rng, bufs, kind, cam)
    ground.add_soil(bufs["matte"], rng, z)
    ground.add_cover(bufs["foliage"], bufs["matte"], rng, cam, z)
    if cam.forward[2] > -0.55:
        ground.add_far_trees(bufs["foliage"], bufs["wood"], rng, cam, z, wood.OBJ_OTHER)
    ground.add_clutter(bufs["matte"], rng, cam, z)
    return fruit_mod.join(all_fr), np.concatenate(grids)


def other_limb(rng, bufs, kind, cam, fruit_mm, opt, nearest=90) -> fruit_mod.Fruit:  # type: ignore[no-untyped-def]
    """A limb at least `nearest` mm behind the target with its own leaves and fruit, which do not belong to the target."""
    reach = max(cam.width, cam.height) / cam.focal_px * cam.focus_mm * 0.5
    depth = nearest + rng.gamma(1.6, 300)
    grow = 1 + depth / cam.focus_mm
    c = (
        cam_target(cam)
        + cam.forward * depth
        + (cam.right * rng.uniform(-1, 1) + cam.up * rng.uniform(-0.8, 0.8)) * reach * grow
    )
    a = rng.uniform(0, 6.28)
    h = np.cos(a) * cam.right + np.sin(a) * cam.up + cam.forward * rng.uniform(-0.1, 0.5)
    stems = wood.grow(rng, c, h, rng.uniform(300, 900), rng.uniform(5, 16), int(rng.integers(0, 3)))
    nodes = wood.place_nodes(rng, stems, kind)
    wood.add_stems(bufs["wood"], rng, stems, nodes, wood.OBJ_OTHER)
    lv = leafy(
        rng,
        nodes,
        kind,
        float(np.clip(0.45 + fruit_mm / 40, 0.4, 1.1)),
        rng.uniform(0.4, 0.95),
        bufs["wood"],
    )
    add_leaves(bufs, keep_clear(lv, cam, None), cam, opt)
    n = int(rng.gamma(1.5, 6)) if kind is not CHERRY else int(rng.gamma(1.5, 9))
    fr = fruit_mod.hang(
        rng, nodes, kind, fruit_mod.pick_sites(rng, nodes, kind, min(n, 30)), fruit_mm
    )
    fruit_mod.push_apart(fr, stems)
    fr.on_limb[:] = False
    return fr


def _foreground_leaf(rng, bufs, kind, cam) -> None:  # type: ignore[no-untyped-def]
    """A leaf close to the lens at the picture's edge, out of focus."""
    a = rng.uniform(0, 6.28)
    edge = np.array([[0.5 + 0.55 * np.cos(a), 0.5 + 0.55 * np.sin(a)]]) * [cam.width, cam.height]
    p = cam.eye + cam.directions(edge) * cam.focus_mm * rng.uniform(0.3, 0.6)
    h = unit(-np.cos(a) * cam.right + np.sin(a) * cam.up + rng.normal(size=3) * 0.4)[None]
    leaves.add(
        bufs["leaf_top"],
        bufs["leaf_under"],
        leaves.make(rng, p, h, kind, size=0.7),
        cam.eye,
        rows=40,
        cols=7,
    )
