"""What lies behind the limb: soil, straw, clover, grass, pebbles, far trees, posts."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .camera import Camera
from .mesh import MeshBuf, across, grid_faces, tubes, unit
from .noise import fractal

SOILS = np.array(
    [
        [0.36, 0.27, 0.17],
        [0.22, 0.15, 0.1],
        [0.45, 0.36, 0.25],
        [0.16, 0.18, 0.07],
        [0.12, 0.15, 0.05],
    ]
)
GREENS = np.array(
    [
        [0.13, 0.22, 0.04],
        [0.2, 0.28, 0.06],
        [0.08, 0.15, 0.03],
        [0.26, 0.3, 0.09],
        [0.1, 0.16, 0.05],
    ]
)
STRAWS = np.array([[0.42, 0.34, 0.19], [0.5, 0.42, 0.26], [0.3, 0.22, 0.12], [0.36, 0.3, 0.2]])


def seen_points(
    rng: np.random.Generator, cam: Camera, z: float, count: int, reach: float
) -> NDArray[Any]:
    """Points on the plane at height `z` spread evenly over the picture, none beyond `reach` mm."""
    px = rng.uniform(-0.12, 1.12, (count, 2)) * [cam.width, cam.height]
    d = cam.directions(px)
    ok = d[:, 2] < -0.02
    t = (z - cam.eye[2]) / d[ok, 2]
    p = cam.eye + d[ok] * t[:, None]
    return np.asarray(p[(t < reach) & (t > 0)])


def add_soil(buf: MeshBuf, rng: np.random.Generator, z: float) -> None:
    """A bumpy plane of 12 m whose colour changes in patches; fine near the middle."""
    n = 220
    u = np.linspace(-1, 1, n)
    xy = np.sign(u) * np.abs(u) ** 2.2 * 9000
    x, y = np.meshgrid(xy, xy, indexing="ij")
    h = (fractal(rng, (n, n), (40, 40), 3) - 0.5) * 26
    p = np.stack([x, y, z + h], -1)
    a = SOILS[rng.integers(len(SOILS))]
    b = SOILS[rng.integers(len(SOILS))]
    m = np.clip((fractal(rng, (n, n), (9, 9), 4) - 0.5) * 5 + 0.5, 0, 1)[..., None]
    c = (a * (1 - m) + b * m) * (0.5 + fractal(rng, (n, n), (60, 60), 2))[..., None]
    buf.add_grids(p[None], col=c[None])


def add_blades(
    buf: MeshBuf,
    rng: np.random.Generator,
    root: NDArray[Any],
    tone: NDArray[Any],
    size: tuple[float, float],
    flat: float,
) -> None:
    """Thin bent strips at `root`: grass when `flat` is small, straw when it is near 1."""
    n = len(root)
    if n == 0:
        return
    a = rng.uniform(0, 2 * np.pi, n)
    d = np.stack([np.cos(a), np.sin(a), np.zeros(n)], 1)
    up = np.array([0, 0, 1.0])
    lean = np.clip(flat + rng.normal(0, 0.2, n), 0, 1)[:, None]
    h = unit(up * (1 - lean) + d * lean + [0, 0, 0.03])
    length = rng.uniform(*size, n)[:, None]
    wide = np.cross(h, unit(rng.normal(size=(n, 3)))) * rng.uniform(0.8, 2.6, (n, 1))
    mid = root + h * length * 0.55
    end = mid + unit(h + d * 0.5 - up * 0.25 * (1 - flat)) * length * 0.45
    p = np.stack(
        [
            root - wide,
            root + wide,
            mid - wide * 0.8,
            mid + wide * 0.8,
            end - wide * 0.1,
            end + wide * 0.1,
        ],
        1,
    )
    col = np.repeat(tone[:, None, :], 6, 1) * np.array([0.6, 0.6, 1, 1, 1.15, 1.15])[None, :, None]
    buf.add_grids(p.reshape(n, 3, 2, 3), col=col.reshape(n, 3, 2, 3))


def add_discs(
    buf: MeshBuf,
    rng: np.random.Generator,
    at: NDArray[Any],
    tone: NDArray[Any],
    size: tuple[float, float],
    tilt: float = 0.5,
    long: float = 0.0,
) -> None:
    """Small six-sided leaflets: clover, weeds, foliage; `long` from 0 to 1 makes them pointed."""
    n = len(at)
    if n == 0:
        return
    nor = unit(rng.normal(size=(n, 3)) * tilt + [0, 0, 1.0])
    b = across(nor, rng.normal(size=(n, 3)))
    c = np.cross(nor, b)
    a = np.arange(6) * np.pi / 3
    r = rng.uniform(*size, n)[:, None, None]
    el = rng.uniform(0.4, 1.0, n)[:, None, None]
    reach = np.where(np.abs(np.cos(a)) > 0.9, 1.0, 1.0 - long * 0.25)[None, :, None]
    p = at[:, None] + r * (
        reach * np.cos(a)[None, :, None] * b[:, None]
        + el * (1 - 0.5 * long) * np.sin(a)[None, :, None] * c[:, None]
    )
    f0 = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 5]])
    f = (f0[None] + 6 * np.arange(n)[:, None, None]).reshape(-1, 3)
    buf.add(p.reshape(-1, 3), f, np.repeat(nor, 6, 0), col=np.repeat(tone, 6, 0))


def tones(rng: np.random.Generator, table: NDArray[Any], n: int) -> NDArray[Any]:
    """`n` colours from rows of `table`, varied."""
    return table[rng.integers(len(table), size=n)] * rng.uniform(0.6, 1.35, (n, 1))


def add_cover(
    buf: MeshBuf, matte: MeshBuf, rng: np.random.Generator, cam: Camera, z: float
) -> None:
    """Ground cover where the camera sees the ground: a mix of grass, clover, straw and pebbles."""
    style = rng.uniform(0.25, 1.0, 4) * (rng.random(4) < [0.75, 0.6, 0.6, 0.35])
    dark = rng.uniform(0.6, 1.1)
    g = GREENS[rng.integers(0, len(GREENS), 2)] * dark
    p = seen_points(rng, cam, z, int(30000 * style[0]), 9000)
    add_blades(buf, rng, p, tones(rng, g, len(p)), (40, rng.uniform(70, 200)), 0.2)
    p = seen_points(rng, cam, z, int(26000 * style[1]), 5000)
    patch = (
        np.sin(p[:, 0] / 160 + rng.uniform(0, 6))
        + np.sin(p[:, 1] / 210 + rng.uniform(0, 6))
        + rng.normal(size=len(p)) * 0.5
    )
    p = p[patch > rng.uniform(-1.5, 0.5)]
    p[:, 2] += rng.uniform(5, 60, len(p))
    add_discs(buf, rng, p, tones(rng, g, len(p)), (4, rng.uniform(9, 32)))
    p = seen_points(rng, cam, z + 8, int(9000 * style[2]), 5000)
    add_blades(buf, rng, p, tones(rng, STRAWS, len(p)), (40, 220), 0.97)
    p = seen_points(rng, cam, z + 6, 9000, 4000)
    crumb = SOILS[rng.integers(len(SOILS), size=2)] * rng.uniform(0.6, 1.1)
    add_discs(matte, rng, p, tones(rng, crumb, len(p)), (2, rng.uniform(7, 14)), 0.35)
    p = seen_points(rng, cam, z + 14, int(1200 * rng.random() ** 2), 4000)
    litter = np.array([[0.2, 0.11, 0.05], [0.3, 0.2, 0.1], [0.12, 0.07, 0.04]])
    add_discs(matte, rng, p, tones(rng, litter, len(p)), (12, 40), 0.4, 0.9)
    p = seen_points(rng, cam, z + 4, int(1500 * style[3]), 4000)
    add_pebbles(matte, rng, p, rng.uniform(4, 16))


def add_pebbles(buf: MeshBuf, rng: np.random.Generator, at: NDArray[Any], size: float) -> None:
    """Flattened lumps, roundish decoys for a fruit finder."""
    n = len(at)
    if n == 0:
        return
    th = np.linspace(0, np.pi, 7)[:, None]
    ph = np.linspace(0, 2 * np.pi, 10)[None, :]
    s = np.stack(
        np.broadcast_arrays(np.sin(th) * np.cos(ph), np.sin(th) * np.sin(ph), np.cos(th) * 0.6), -1
    )
    r = (size * rng.gamma(4, 0.25, (n, 1, 1, 1))) * rng.uniform(0.7, 1.2, (n, 1, 1, 3))
    tone = rng.uniform(0.15, 0.5, (n, 1)) * np.array([1.0, 0.93, 0.82])
    buf.add_grids(
        at[:, None, None] + s[None] * r,
        col=np.broadcast_to(tone[:, None, None], (n, 7, 10, 3)),
        wrap=True,
    )


def add_far_trees(
    buf: MeshBuf, wood: MeshBuf, rng: np.random.Generator, cam: Camera, z: float, obj: int
) -> None:
    """Leafy crowns and trunks 1.5 to 9 m behind, made of loose leaflets."""
    for _ in range(rng.integers(2, 9)):
        far = rng.uniform(2800, 9000)
        px = np.array([[rng.uniform(-0.1, 1.1) * cam.width, cam.height * 0.5]])
        d = cam.directions(px)[0] * [1, 1, 0]
        c = cam.eye + unit(d) * far
        c[2] = z + rng.uniform(900, 1900)
        n = 5000
        q = (
            unit(rng.normal(size=(n, 3)))
            * rng.uniform(0.45, 1, (n, 1)) ** 0.6
            * np.array([900, 900, 800])
            * rng.uniform(0.5, 1.3)
        )
        q = (
            q
            + np.array([rng.normal(size=3) * [700, 700, 350] for _ in range(5)])[
                rng.integers(5, size=n)
            ]
        )
        q = q[(np.sin(q / 170 + rng.uniform(0, 6, 3)).sum(1) + rng.normal(size=n)) > -0.4]
        g = GREENS[rng.integers(0, len(GREENS), 2)] * rng.uniform(0.4, 1.0)
        add_discs(buf, rng, c + q, tones(rng, g, len(q)), (22, 70), 1.5, 0.9)
        line = np.array(
            [[c[0], c[1], z], [c[0] + 30, c[1], z + 500], [c[0], c[1] + 20, c[2] + 200]]
        )
        s = np.linspace(0, 1, 8)
        line = np.stack([np.interp(s, [0, 0.5, 1], line[:, k]) for k in range(3)], 1)
        uv = np.zeros((1, 8, 9, 2), np.float32)
        uv[..., 0] = 0.26 + 0.22 * np.linspace(0, 1, 9)
        uv[..., 1] = np.linspace(0, 12, 8)[None, :, None]
        wood.add_grids(
            tubes(line[None], np.full((1, 8), rng.uniform(30, 80)), 8),
            uv=uv,
            obj=np.array([obj]),
            wrap=True,
        )


def add_clutter(matte: MeshBuf, rng: np.random.Generator, cam: Camera, z: float) -> None:
    """Now and then a post, a black water pipe or a pale sheet on the ground."""
    if rng.random() < 0.25:
        c = cam.eye + cam.directions(np.array([[rng.uniform(0, 1) * cam.width, 0.5 * cam.height]]))[
            0
        ] * rng.uniform(1200, 4000)
        line = np.array([[c[0], c[1], z + k * 400.0] for k in range(8)])
        g = rng.choice([0.12, 0.35, 0.5])
        matte.add_grids(
            tubes(line[None], np.full((1, 8), rng.uniform(15, 45)), 8),
            col=np.full((1, 8, 9, 3), g),
            wrap=True,
        )
    if rng.random() < 0.25:
        p = seen_points(rng, cam, z + 12, 2, 4000)
        if len(p) == 2:
            s = np.linspace(-3, 4, 30)[:, None]
            line = p[0] * (1 - s) + p[1] * s + np.sin(s * 3) * [40, 60, 0]
            matte.add_grids(
                tubes(line[None], np.full((1, 30), 9.0), 8),
                col=np.full((1, 30, 9, 3), 0.02),
                wrap=True,
            )
    if rng.random() < 0.12:
        p = seen_points(rng, cam, z + 20, 1, 4000)
        if len(p):
            n = 24
            u = np.linspace(-1, 1, n) * rng.uniform(200, 900)
            x, y = np.meshgrid(u, u, indexing="ij")
            g = np.stack(
                [p[0, 0] + x, p[0, 1] + y, p[0, 2] + 40 * fractal(rng, (n, n), (5, 5), 2)], -1
            )
            tone = np.array([[0.7, 0.72, 0.75], [0.3, 0.5, 0.65], [0.6, 0.6, 0.62]])[
                rng.integers(3)
            ]
            f = grid_faces(n, n)
            matte.add(
                g.reshape(-1, 3), f, np.tile([0, 0, 1.0], (n * n, 1)), col=np.tile(tone, (n * n, 1))
            )
