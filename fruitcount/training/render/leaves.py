"""Leaves: grids folded along the midrib, drooping, saw-edged, built all at once.

The picture of a leaf's upper face and of its paler underside are two materials.
Which of the two a triangle shows the camera is settled when the mesh is built.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .kinds import Kind
from .mesh import MeshBuf, across, grid_faces, grid_normals, unit

VARIANTS = 16
MATURE, MIDDLE, YOUNG, RED_TIP, SICK = (0, 8), (8, 12), (12, 14), (14, 15), (15, 16)


@dataclass
class Leaves:
    """Columns, one row a leaf: start, heading, upward normal, size in mm, shape, picture."""

    pos: NDArray[Any]
    heading: NDArray[Any]
    up: NDArray[Any]
    length: NDArray[Any]
    width: NDArray[Any]
    droop: NDArray[Any]
    fold: NDArray[Any]
    twist: NDArray[Any]
    variant: NDArray[Any]
    peak: NDArray[Any]

    def take(self, keep: NDArray[Any]) -> Leaves:
        """The leaves picked by a mask or index array."""
        return Leaves(*(getattr(self, k)[keep] for k in self.__dataclass_fields__))


def join(parts: list[Leaves]) -> Leaves:
    """All parts as one."""
    return Leaves(
        *(np.concatenate([getattr(p, k) for p in parts]) for k in Leaves.__dataclass_fields__)
    )


def make(
    rng: np.random.Generator,
    pos: NDArray[Any],
    heading: NDArray[Any],
    kind: Kind,
    *,
    size: NDArray[Any] | float = 1.0,
    young: float = 0.1,
) -> Leaves:
    """Leaves starting at `pos` (K, 3) along `heading`.

    `size` scales them, `young` is the share of young ones.
    """
    n = len(pos)
    length = rng.uniform(*kind.leaf_mm, n) * size
    up = across(heading, np.array([0, 0, 1.0]) + rng.normal(size=(n, 3)) * 0.45)
    variant = rng.integers(*MATURE, n)
    u = rng.random(n)
    variant = np.where(u < 0.35, rng.integers(*MIDDLE, n), variant)
    variant = np.where(
        (u < young) | (length < kind.leaf_mm[0] * 0.45), rng.integers(*YOUNG, n), variant
    )
    variant = np.where(u > 0.985, SICK[0], variant)
    return Leaves(
        pos, unit(heading), up, length, length * rng.uniform(*kind.leaf_ratio, n),
        rng.gamma(2.0, 0.35, n) * np.where(rng.random(n) < 0.08, 3.0, 1.0) - 0.15,
        np.clip(rng.normal(0.45, 0.25, n), 0.03, 1.3), rng.normal(0, 0.5, n), variant,
        np.full(n, kind.leaf_peak) + rng.normal(0, 0.04, n)
    )  # fmt: skip


def rosettes(
    rng: np.random.Generator,
    pos: NDArray[Any],
    out: NDArray[Any],
    along: NDArray[Any],
    kind: Kind,
    size: float,
) -> tuple[Leaves, NDArray[Any]]:
    """Leafy shoots at nodes: 3 to 9 leaves each around a short green axis.

    Returns the leaves and the axes (K, 5, 3).
    """
    n = len(pos)
    count = rng.integers(3, 10, n)
    axis = unit(
        out * 0.9
        + along * rng.uniform(-0.1, 0.9, (n, 1))
        + rng.normal(size=(n, 3)) * 0.3
        + [0, 0, 0.15]
    )
    length = rng.gamma(1.3, 18, n) + 4
    b = across(axis, rng.normal(size=(n, 3)))
    side = np.cross(axis, b)
    who = np.repeat(np.arange(n), count)
    k = np.concatenate([np.arange(c) for c in count]) if n else np.zeros(0)
    f = (k + 0.5) / np.maximum(count[who], 1)
    ang = k * np.deg2rad(137.5) + rng.uniform(0, 6.28, n)[who]
    radial = np.cos(ang)[:, None] * b[who] + np.sin(ang)[:, None] * side[who]
    start = pos[who] + axis[who] * (f * length[who])[:, None]
    heading = unit(
        radial * rng.uniform(0.5, 1.1, (len(who), 1))
        + axis[who] * (0.3 + f[:, None])
        + rng.normal(size=(len(who), 3)) * 0.2
    )
    low, high = rng.uniform(0.35, 0.8, len(who)), rng.uniform(0.6, 1.05, len(who))
    sz = size * np.where(f < 0.3, low, high) * np.where(f > 0.85, 0.55, 1.0)
    leaves = make(rng, start, heading, kind, size=sz)
    reach = (np.linspace(0, 1, 5)[None, :] * length[:, None])[..., None]
    return leaves, pos[:, None, :] + axis[:, None, :] * reach


def surface(lv: Leaves, rows: int, cols: int, teeth: float = 0.05) -> NDArray[Any]:
    """Vertex grids (K, rows, cols, 3); raising `teeth` deepens the saw edge."""
    s = np.linspace(0, 1, rows)
    x = np.linspace(-1, 1, cols)
    ang = lv.droop[:, None] * s[None, :] ** 1.4
    a, n0 = lv.heading, lv.up
    side = np.cross(a, n0)
    t = np.cos(ang)[..., None] * a[:, None] - np.sin(ang)[..., None] * n0[:, None]
    nor = np.sin(ang)[..., None] * a[:, None] + np.cos(ang)[..., None] * n0[:, None]
    tw = (lv.twist[:, None] * s)[..., None]
    across_leaf = np.cos(tw) * side[:, None] + np.sin(tw) * nor
    nor = np.cos(tw) * nor - np.sin(tw) * side[:, None]
    step = lv.length[:, None, None] / (rows - 1)
    mid = lv.pos[:, None] + np.cumsum(t * step, 1) - t * step
    body = np.clip((s - 0.07) / 0.93, 0, 1)
    pk = np.clip(lv.peak, 0.25, 0.7)[:, None]
    p = 1.15
    q = p * (1 - pk) / pk
    prof = body**p * (1 - body) ** q / (pk**p * (1 - pk) ** q)
    saw = np.where(np.arange(rows) % 2 == 0, 1 + teeth, 1 - teeth * 0.6)
    half = np.maximum(lv.width[:, None] / 2 * prof * saw, np.where(body > 0.97, 0.05, 0.9))
    fold = lv.fold[:, None, None]
    lift = np.sin(fold) * np.abs(x)[None, None, :]
    ripple = (
        0.1
        * np.sin(
            2
            * np.pi
            * (
                3.0 * s[None, :, None]
                + 3 * lv.twist[:, None, None]
                + 0.2 * np.sign(x)[None, None, :]
            )
        )
        * (x**2)[None, None, :]
    )
    off = (np.cos(fold) * x[None, None, :])[..., None] * across_leaf[:, :, None]
    off = off + (lift + ripple)[..., None] * nor[:, :, None]
    return np.asarray(mid[:, :, None] + half[..., None, None] * off)


def add(
    top: MeshBuf, under: MeshBuf, lv: Leaves, eye: NDArray[Any], *, rows: int = 48, cols: int = 7
) -> None:
    """Add leaves, sharing their triangles between `top` and `under` by the face that `eye` sees."""
    k = len(lv.length)
    if k == 0:
        return
    p = surface(lv, rows, cols).astype(np.float32)
    nrm = grid_normals(p)
    x = np.linspace(-1, 1, cols)
    uv = np.empty((k, rows, cols, 2), np.float32)
    uv[..., 0] = (lv.variant[:, None, None] + 0.5 + 0.46 * x[None, None, :]) / VARIANTS
    uv[..., 1] = np.linspace(0.004, 0.996, rows)[None, :, None]
    f = (grid_faces(rows, cols)[None] + (np.arange(k) * rows * cols)[:, None, None]).reshape(-1, 3)
    v = p.reshape(-1, 3)
    tri = v[f]
    fn = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    # the grid's own normal points to the upper face when it agrees with the leaf's `up` at its base
    base = f.reshape(k, -1, 3)[:, (cols - 1) * 2 * (rows // 6)]
    tb = v[base]
    sign = np.sign((np.cross(tb[:, 1] - tb[:, 0], tb[:, 2] - tb[:, 0]) * lv.up).sum(1))
    faces_eye = ((eye - tri[:, 0]) * fn).sum(1) * np.repeat(sign, 2 * (rows - 1) * (cols - 1)) > 0
    n2, uv2 = nrm.reshape(-1, 3), uv.reshape(-1, 2)
    for buf, mask in ((top, faces_eye), (under, ~faces_eye)):
        ff = f[mask]
        used = np.zeros(len(v), bool)
        used[ff.ravel()] = True
        new = np.cumsum(used) - 1
        buf.add(v[used], new[ff], n2[used], uv=uv2[used])
