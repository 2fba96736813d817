"""Leaves and small bits that dress a limb, and those kept off the card and the lens."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import card as card_mod
from . import leaves, wood
from .camera import Camera
from .fruit import GREEN, Fruit
from .fruit_mesh import add_remains
from .kinds import Kind
from .mesh import MeshBuf, unit
from .parts import Bench
from .shuck import add_shucks


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


def add_decoys(at: Bench, nodes: wood.Nodes) -> None:
    """Buds and dried flower shells at nodes without fruit: things that are not fruit."""
    rng, bits, kind = at.rng, at.bufs["wood"], at.kind
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
        ghost = Fruit(
            centre=nodes.pos[dry] + nodes.out[dry] * (nodes.radius[dry] + 3)[:, None],
            axis=unit(nodes.out[dry] + rng.normal(size=(m, 3)) * 0.3),
            diameter=rng.uniform(5, 10, m),
            ratio=np.ones(m),
            cls=[GREEN] * m,
            anchor=nodes.pos[dry],
            out=nodes.out[dry],
            along_mm=np.zeros(m),
            shoot=np.zeros(m, int),
            on_limb=np.zeros(m, bool),
        )
        add_remains(bits, ghost, rng, kind)
        if kind.shuck:
            add_shucks(at.bufs["foliage"], bits, ghost, 0.5, rng, None)


def cam_target(cam: Camera) -> NDArray[Any]:
    """The point in focus."""
    return np.asarray(cam.eye + cam.forward * cam.focus_mm)


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


def thin_leaves(
    rng: np.random.Generator,
    lv: leaves.Leaves,
    cam: Camera,
    stems: list[wood.Stem],
    fr: Fruit,
    front_frac: float,
) -> leaves.Leaves:
    """Drop most leaves before fruit or wood, as a grower folds them aside for the picture.

    `front_frac` is the share of them that stays.
    """
    line = (
        lv.pos[:, None]
        + (lv.heading * lv.length[:, None])[:, None] * np.linspace(0.1, 0.95, 6)[None, :, None]
    )
    px, z = cam.project(line)
    half = (lv.width / 2 / z.min(1) * cam.focal_px)[:, None, None] * 0.8
    fp, fz = cam.project(fr.centre)
    wp, wz = cam.project(stems[0].points)
    hides = np.zeros((len(lv.length), 2), bool)
    for k, (tp, tz, tr) in enumerate(((fp, fz, fr.diameter / 2), (wp, wz, stems[0].radius))):
        gap = np.linalg.norm(px[:, :, None] - tp[None, None], axis=-1)
        over = (gap < half + (tr / tz * cam.focal_px)[None, None] * 0.9) & (
            z[:, :, None] < tz[None, None] + 3
        )
        hides[:, k] = over.any((1, 2))
    stay = rng.random((len(lv.length), 2)) < np.array([front_frac, front_frac + 0.1])
    return lv.take(np.asarray((~hides | stay).all(1)))


def add_leaves(at: Bench, lv: leaves.Leaves) -> None:
    """Leaves in three finenesses, by their length in pixels."""
    if len(lv.length) == 0:
        return
    _, z = at.cam.project(lv.pos)
    px = lv.length / np.maximum(np.abs(z), 30) * at.cam.focal_px
    for lo, hi, rows, cols in (
        (0, 40, 12, 5),
        (40, 130, 30, 5),
        (130, 1e9, int(64 * min(at.opt.detail, 2)), 7),
    ):
        sub = lv.take((px >= lo) & (px < hi))
        leaves.add(
            at.bufs["leaf_top"], at.bufs["leaf_under"], sub, at.cam.eye, rows=rows, cols=cols
        )


def add_foreground_leaf(at: Bench) -> None:
    """A leaf close to the lens at the picture's edge, out of focus."""
    rng, cam = at.rng, at.cam
    a = rng.uniform(0, 6.28)
    edge = np.array([[0.5 + 0.55 * np.cos(a), 0.5 + 0.55 * np.sin(a)]]) * [cam.width, cam.height]
    p = cam.eye + cam.directions(edge) * cam.focus_mm * rng.uniform(0.3, 0.6)
    h = unit(-np.cos(a) * cam.right + np.sin(a) * cam.up + rng.normal(size=3) * 0.4)[None]
    lv = leaves.make(rng, p, h, at.kind, size=0.7)
    leaves.add(at.bufs["leaf_top"], at.bufs["leaf_under"], lv, cam.eye, rows=40, cols=7)


def add_shade(at: Bench, start: NDArray[Any], heading: NDArray[Any]) -> None:
    """Coarse leaves out of sight, for the shadows they throw."""
    lv = leaves.make(at.rng, start, heading, at.kind)
    leaves.add(at.bufs["leaf_top"], at.bufs["leaf_under"], lv, at.cam.eye, rows=10, cols=5)
