"""Meshes and colours of the fruit, their stalks and dried flower remains."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .fruit import DAMAGED, YELLOWING, Fruit
from .kinds import Kind
from .mesh import MeshBuf, across, unit
from .noise import waves
from .wood import OBJ_FRUIT, STRIP_DRY, STRIP_GREEN, add_twigs

Noise = tuple[NDArray[Any], NDArray[Any], NDArray[Any]]  # coarse, middling, fine

YELLOWS = np.array([[0.5, 0.44, 0.11], [0.42, 0.42, 0.14], [0.5, 0.36, 0.12], [0.36, 0.4, 0.12]])


def shape(
    fr: Fruit, kind: Kind, rng: np.random.Generator, rows: int, cols: int
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Vertex grids (K, rows, cols + 1, 3), unit-sphere coordinates, and angle from the groove."""
    n = len(fr)
    th = np.linspace(0, np.pi, rows)[None, :, None]
    ph = np.linspace(0, 2 * np.pi, cols + 1)[None, None, :]
    tip = rng.uniform(*kind.tip, (n, 1, 1))
    yellow = np.array([c == YELLOWING for c in fr.cls])[:, None, None]
    # young fuzzy fruit are barrels rather than balls
    blunt = rng.uniform(0.95 - 0.33 * kind.fuzz, 0.95, (n, 1, 1))
    rad = np.sin(th) ** blunt * (1 - 0.22 * tip * (1 - np.cos(th)) / 2)
    dphi = np.abs((ph + np.pi) % (2 * np.pi) - np.pi)
    depth = kind.suture * rng.uniform(0.3, 1.5, (n, 1, 1))
    groove = depth * np.exp(-((dphi / 0.22) ** 2)) * np.sin(th) ** 0.5
    dent = 0.05 * np.exp(-((th / 0.35) ** 2))
    ax = -np.cos(th) * (1 - dent) + 0.22 * tip * np.exp(-(((np.pi - th) / 0.28) ** 2))
    sph = np.stack(
        np.broadcast_arrays(np.sin(th) * np.cos(ph), np.sin(th) * np.sin(ph), -np.cos(th)), -1
    )[0]
    lump = waves(sph, rng, 0.9, 6)[None] * rng.choice(
        [0.01, 0.02, 0.05], (n, 1, 1), p=[0.5, 0.4, 0.1]
    )
    lump = lump + np.where(
        yellow, waves(sph, rng, 0.35, 8)[None] * rng.choice([0, 0.03, 0.06], (n, 1, 1)), 0
    )
    hurt = np.array([c == DAMAGED for c in fr.cls])[:, None, None]
    lump = lump - np.where(hurt, 0.16 * np.clip(waves(sph, rng, 0.6, 6)[None] - 0.4, 0, 1), 0)
    lump = lump * np.sin(th) ** 0.5
    e = across(fr.axis, rng.normal(size=(n, 3)))
    g = np.cross(fr.axis, e)
    flat = rng.uniform(0.9, 1.0, (n, 1, 1))
    x = rad * np.cos(ph) * (1 - groove + lump)
    y = rad * np.sin(ph) * (1 - groove + lump) * flat
    z = np.broadcast_to(ax * fr.ratio[:, None, None] * (1 + lump), x.shape)
    r = (fr.diameter / 2)[:, None, None, None]
    p = fr.centre[:, None, None] + r * (
        x[..., None] * e[:, None, None]
        + y[..., None] * g[:, None, None]
        + z[..., None] * fr.axis[:, None, None]
    )
    return p, sph, np.broadcast_to(dphi, x.shape)


def colours(
    fr: Fruit, kind: Kind, rng: np.random.Generator, sph: NDArray[Any], dphi: NDArray[Any]
) -> NDArray[Any]:
    """Colour, roughness and sheen per vertex (K, rows, cols, 5)."""
    n = len(fr)
    out = np.empty((n, *sph.shape[:2], 5), np.float32)
    base_i = rng.integers(len(kind.green))
    blush_amt = rng.random() * kind.blush_max
    fine = waves(sph, rng, 0.035, 30)
    along = (sph[..., 2] + 1) / 2
    for i in range(n):
        j = base_i if rng.random() < 0.75 else rng.integers(len(kind.green))
        g = np.array(kind.green[j]) * rng.uniform(0.8, 1.2) * (1 + rng.normal(size=3) * 0.06)
        turn = rng.normal(size=3)
        big = waves(sph + turn, rng, 0.9, 5)
        mid = waves(sph + turn, rng, 0.25, 8)
        sun = np.clip(0.5 + 0.5 * (sph @ unit(turn)) + 0.15 * big, 0, 1)
        c = g * (0.88 + 0.2 * sun + 0.07 * mid + 0.03 * fine)[..., None]
        c = c + (np.array([0.1, 0.1, 0.05]) * np.clip(0.35 - along, 0, 1)[..., None])
        b = np.clip(blush_amt * rng.uniform(0.2, 1.3) * (sun - 0.35 + 0.2 * mid), 0, 0.9)[..., None]
        c = c * (1 - b) + np.array(kind.blush) * (0.8 + 0.25 * fine[..., None] * 0.5) * b
        c = c * (1 - 0.25 * np.exp(-((dphi[i] / 0.07) ** 2)))[..., None]
        bloom = 0.5 if kind.name == "plum" else 0.12
        wax = np.clip(0.25 * big + 0.15 + 0.1 * mid, 0, 0.5)[..., None] * bloom
        c = c * (1 - wax) + np.array([0.38, 0.42, 0.38]) * wax
        rough = kind.rough + 0.06 * mid
        if fr.cls[i] == YELLOWING:
            c = _yellowed(c, g, rng, (big, mid, fine))
        elif fr.cls[i] == DAMAGED:
            c, rough = _scarred(c, rough, rng, (big, mid, fine))
        tipm = np.exp(-(((1 - along) / 0.012) ** 2))[..., None] * 0.8
        c = c * (1 - tipm) + np.array([0.1, 0.06, 0.03]) * tipm
        out[i, ..., :3] = np.clip(c, 0.01, 0.85)
        out[i, ..., 3] = np.clip(rough, 0.12, 0.95)
        out[i, ..., 4] = kind.fuzz * rng.uniform(0.7, 1.0)
    return out


def _yellowed(
    c: NDArray[Any], green: NDArray[Any], rng: np.random.Generator, noise: Noise
) -> NDArray[Any]:
    """Colours `c` of a fruit once `green` gone yellow nearly all over, with brown spots.

    Always visibly redder than it was: a pale peach is yellow to begin with, and a label that
    nobody could see in the picture would teach nothing.
    """
    big, mid, fine = noise
    y = YELLOWS[rng.integers(4)].copy()
    y[0] = max(y[0], y[1] * green[0] / green[1] * np.exp(rng.uniform(0.22, 0.5)))
    m = np.clip(rng.uniform(0.85, 1.15) + 0.25 * big, 0, 1)[..., None]
    c = c * (1 - m) + y * (0.9 + 0.12 * mid + 0.06 * fine)[..., None] * m
    d = np.clip((mid + big * 0.5) - rng.uniform(0.7, 2.2), 0, 0.6)[..., None]
    return np.asarray(c * (1 - d) + np.array([0.2, 0.1, 0.04]) * d)


def _scarred(
    c: NDArray[Any], rough: NDArray[Any], rng: np.random.Generator, noise: Noise
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Colours `c` and roughness with corky brown scars."""
    big, mid, fine = noise
    m = np.clip((big + 0.6 * mid - rng.uniform(0.1, 0.7)) * 4, 0, 1)[..., None]
    cork = np.array([0.14, 0.085, 0.045]) * (0.8 + 0.3 * mid + 0.1 * fine)[..., None]
    return c * (1 - m) + cork * m, rough * (1 - m[..., 0]) + 0.8 * m[..., 0]


def add(
    buf: MeshBuf,
    bits: MeshBuf,
    fr: Fruit,
    kind: Kind,
    rng: np.random.Generator,
    first_id: int,
    detail: tuple[int, int],
) -> NDArray[Any]:
    """Add fruit, stalks and dried remains; return the vertex grids (K, rows, cols + 1, 3)."""
    if len(fr) == 0:
        return np.zeros((0, 2, 2, 3))
    rows, cols = detail
    p, sph, dphi = shape(fr, kind, rng, rows, cols)
    buf.add_grids(
        p,
        col=colours(fr, kind, rng, sph, dphi),
        obj=OBJ_FRUIT + first_id + np.arange(len(fr)),
        wrap=True,
    )
    half = (fr.diameter * fr.ratio / 2)[:, None]
    end = fr.centre - fr.axis * half * 0.93
    n = len(fr)
    s = np.linspace(0, 1, 7)[None, :, None]
    reach = np.linalg.norm(end - fr.anchor, axis=1)[:, None, None]
    ctl = (fr.anchor + end)[:, None] / 2 + (fr.out - fr.axis)[:, None] * 0.12 * reach
    line = (1 - s) ** 2 * fr.anchor[:, None] + 2 * s * (1 - s) * ctl + s**2 * end[:, None]
    thick = 0.55 + 0.035 * fr.diameter
    rad = thick[:, None] * np.array([1.5, 1.1, 0.9, 0.85, 0.9, 1.1, 1.5])[None]
    if kind.stalk_mm[1] < 8:
        rad = rad * 1.4
    add_twigs(
        bits,
        line,
        rad,
        np.full(n, STRIP_GREEN)
        if kind.stalk_mm[1] > 8
        else rng.choice([STRIP_GREEN, STRIP_DRY], n),
    )
    add_remains(bits, fr, rng, kind)
    return p


def add_remains(bits: MeshBuf, fr: Fruit, rng: np.random.Generator, kind: Kind) -> None:
    """Dried calyx shreds round the stalk end or tip and the dried style: thin brown curls."""
    rate = 0.7 if kind.stalk_mm[1] < 8 else 0.25
    lines, radii = [], []
    for i in np.flatnonzero(rng.random(len(fr)) < rate):
        tip = rng.random() < 0.6
        a = fr.axis[i] * (1 if tip else -1)
        base = fr.centre[i] + a * fr.diameter[i] * fr.ratio[i] / 2 * 0.9
        k = int(rng.integers(3, 16))
        b = across(a, rng.normal(size=3))
        c = np.cross(a, b)
        ang = rng.uniform(0, 6.28, k)[:, None, None]
        s = np.linspace(0, 1, 6)[None, :, None]
        reach = fr.diameter[i] * rng.uniform(0.1, 0.5, (k, 1, 1))
        dirn = np.cos(ang) * b + np.sin(ang) * c
        bend = rng.normal(size=(k, 1, 3))
        lines.append(
            base
            + dirn * (0.12 * fr.diameter[i] + 0.6 * s * reach)
            + a * s * reach * 0.7
            + bend * s**2 * reach * 0.5
        )
        radii.append(
            np.broadcast_to(
                rng.uniform(0.25, 1.8, (k, 1)) * np.array([1, 1, 0.9, 0.7, 0.5, 0.2]), (k, 6)
            )
        )
    if lines:
        pts = np.concatenate(lines)
        add_twigs(bits, pts, np.concatenate(radii), np.full(len(pts), STRIP_DRY), sides=4)
