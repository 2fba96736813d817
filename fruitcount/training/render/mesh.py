"""Growing triangle meshes: one buffer a material, whole batches of grids and tubes at once."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitcount.types import F32

I32 = NDArray[np.int32]


def unit(v: NDArray[Any]) -> NDArray[Any]:
    """Vectors of length one along the last axis (zero vectors stay near zero)."""
    return np.asarray(v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-9))


def across(v: NDArray[Any], hint: NDArray[Any] | None = None) -> NDArray[Any]:
    """A unit vector at right angles to each of `v`, close to `hint` (default: up)."""
    v = unit(np.asarray(v, float))
    h = np.broadcast_to(np.array([0.0, 0.0, 1.0]) if hint is None else np.asarray(hint), v.shape)
    h = np.where(np.abs((v * unit(h)).sum(-1, keepdims=True)) > 0.98, np.array([0.97, 0.2, 0.1]), h)
    return unit(h - (h * v).sum(-1, keepdims=True) * v)


@lru_cache(maxsize=64)
def grid_faces(rows: int, cols: int) -> I32:
    """Triangles, shape (2 * (rows - 1) * (cols - 1), 3), of a grid of vertices in row order."""
    r, c = np.mgrid[0 : rows - 1, 0 : cols - 1]
    a = (r * cols + c).ravel()
    quads = np.stack([a, a + 1, a + cols + 1, a, a + cols + 1, a + cols], 1)
    return quads.reshape(-1, 3).astype(np.int32)


def grid_normals(p: NDArray[Any], wrap: bool = False) -> F32:
    """Vertex normals of grids `p`, shape (K, R, C, 3); `wrap`: the columns close on themselves."""
    du = np.gradient(p, axis=1)
    if wrap:
        q = np.concatenate([p[:, :, -2:-1], p, p[:, :, 1:2]], 2)
        dv = (q[:, :, 2:] - q[:, :, :-2]) / 2
    else:
        dv = np.gradient(p, axis=2)
    n = np.cross(dv, du)
    size = np.linalg.norm(n, axis=-1, keepdims=True)
    n = n / np.maximum(size, 1e-12)
    # a row shrunk to one point (a pole) has no normal of its own: take the next row's mean
    for row, near in ((0, 1), (-1, -2)):
        mean = unit(n[:, near].mean(1, keepdims=True))
        n[:, row] = np.where(size[:, row] < 1e-7, mean, n[:, row])
    flat = np.linalg.norm(n, axis=-1, keepdims=True) < 0.5
    return np.where(flat, [0.0, 0.0, 1.0], n).astype(np.float32)


@dataclass
class MeshBuf:
    """Vertices, faces and per-face object numbers of everything that shares one material."""

    v: list[F32] = field(default_factory=list)
    n: list[F32] = field(default_factory=list)
    uv: list[F32] = field(default_factory=list)
    col: list[F32] = field(default_factory=list)
    f: list[I32] = field(default_factory=list)
    obj: list[I32] = field(default_factory=list)
    size: int = 0

    def add(
        self,
        v: NDArray[Any],
        f: NDArray[Any],
        n: NDArray[Any],
        *,
        uv: NDArray[Any] | None = None,
        col: NDArray[Any] | None = None,
        obj: NDArray[Any] | int = 0,
    ) -> None:
        """Append vertices (N, 3), faces (M, 3), normals (N, 3); `obj` is one number or one a face.

        `col` holds red, green, blue, roughness and sheen per vertex (N, 5).
        """
        k = len(v)
        if k == 0 or len(f) == 0:
            return
        self.v.append(np.asarray(v, np.float32))
        self.n.append(np.asarray(n, np.float32))
        self.uv.append(np.zeros((k, 2), np.float32) if uv is None else np.asarray(uv, np.float32))
        c = np.full((k, 5), 0.4, np.float32)
        if col is not None:
            col = np.asarray(col, np.float32)
            c[:, : col.shape[-1]] = col
        self.col.append(c)
        self.f.append(np.asarray(f, np.int32) + self.size)
        self.obj.append(np.broadcast_to(np.asarray(obj, np.int32), (len(f),)).copy())
        self.size += k

    def add_grids(
        self,
        p: NDArray[Any],
        *,
        uv: NDArray[Any] | None = None,
        col: NDArray[Any] | None = None,
        obj: NDArray[Any] | int = 0,
        wrap: bool = False,
    ) -> None:
        """Append K grids `p` (K, R, C, 3).

        `uv` is (K, R, C, 2), `col` (K, R, C, 3 or 5), `obj` (K,).
        """
        k, r, c, _ = p.shape
        if k == 0:
            return
        f0 = grid_faces(r, c)
        f = (f0[None] + (np.arange(k) * r * c)[:, None, None]).reshape(-1, 3)
        ids = np.repeat(np.broadcast_to(np.asarray(obj, np.int32), (k,)), len(f0))
        self.add(
            p.reshape(-1, 3),
            f,
            grid_normals(p, wrap).reshape(-1, 3),
            uv=None if uv is None else uv.reshape(-1, 2),
            col=None
            if col is None
            else np.broadcast_to(col, (k, r, c, np.shape(col)[-1])).reshape(k * r * c, -1),
            obj=ids,
        )

    def arrays(self) -> tuple[F32, F32, F32, F32, I32, I32]:
        """Vertices, normals, texture coordinates, colours, faces, object numbers as whole arrays.

        An empty buffer gives one tiny triangle far below, so every scene has the same shapes
        and the renderer's compiled kernels are used again.
        """
        if self.size == 0:
            tri = np.array([[0, 0, -2e4], [1, 0, -2e4], [0, 1, -2e4]], np.float32)
            self.add(tri, np.array([[0, 1, 2]]), np.tile([0, 0, 1.0], (3, 1)))
        return (
            np.concatenate(self.v),
            np.concatenate(self.n),
            np.concatenate(self.uv),
            np.concatenate(self.col),
            np.concatenate(self.f),
            np.concatenate(self.obj),
        )


def tubes(
    lines: NDArray[Any], radius: NDArray[Any], sides: int = 8, lumps: NDArray[Any] | None = None
) -> NDArray[Any]:
    """Grids (K, R, sides + 1, 3) around K centre lines (K, R, 3) of the given radii (K, R).

    `lumps` (K, R, sides + 1) multiplies the radius, for knots and ridges.
    """
    t = unit(np.gradient(lines, axis=1))
    mean = unit(lines[:, -1] - lines[:, 0])
    b = across(t, across(mean, np.array([0.13, -0.9, 0.41]))[:, None, :] + 0 * t)
    c = np.cross(t, b)
    a = np.linspace(0, 2 * np.pi, sides + 1)
    ring = np.cos(a)[:, None] * b[:, :, None, :] + np.sin(a)[:, None] * c[:, :, None, :]
    r = radius[:, :, None]
    if lumps is not None:
        r = r * lumps
    return np.asarray(lines[:, :, None, :] + r[..., None] * ring)
