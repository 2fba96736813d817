"""Limbs: tapering curved tubes with nodes, woody side shoots and green leafy shoots."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .kinds import Kind
from .mesh import MeshBuf, across, tubes, unit

STRIP_LIMB, STRIP_OLD, STRIP_GREEN, STRIP_DRY = range(4)
OBJ_NONE, OBJ_TARGET, OBJ_OTHER, OBJ_CARD, OBJ_FRUIT = 0, 1, 2, 3, 100


@dataclass(frozen=True)
class Stem:
    """One woody axis: points (N, 3) and radius (N,) in mm, base first.

    `shoot` is -1 for the main limb. `joint_mm` is where a side shoot leaves the main limb.
    """

    points: NDArray[Any]
    radius: NDArray[Any]
    shoot: int = -1
    joint_mm: float = 0.0

    @property
    def arc(self) -> NDArray[Any]:
        """Length in mm from the base to each point."""
        step = np.linalg.norm(np.diff(self.points, axis=0), axis=1)
        return np.asarray(np.r_[0.0, np.cumsum(step)])

    def at(self, s: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
        """Point, direction and radius at arc lengths `s` in mm."""
        a = self.arc
        p = np.stack([np.interp(s, a, self.points[:, i]) for i in range(3)], -1)
        t = np.gradient(self.points, axis=0)
        d = unit(np.stack([np.interp(s, a, t[:, i]) for i in range(3)], -1))
        return p, d, np.interp(s, a, self.radius)


@dataclass(frozen=True)
class Nodes:
    """Places where leaves and fruit start: arc in mm, position, wood and outward direction."""

    s_mm: NDArray[Any]
    pos: NDArray[Any]
    along: NDArray[Any]
    out: NDArray[Any]
    radius: NDArray[Any]
    shoot: NDArray[Any]
    main_mm: NDArray[Any]  # position along the main limb


def curve(
    rng: np.random.Generator, start: NDArray[Any], heading: NDArray[Any], length: float, bend: float
) -> NDArray[Any]:
    """A wandering line of 48 points; raising `bend` (radians end to end) makes it crookeder."""
    n = 48
    s = np.linspace(0, 1, n)
    t = unit(heading)
    b = across(t, rng.normal(size=3))
    c = np.cross(t, b)
    a1 = bend * (rng.normal() * s + 0.5 * rng.normal() * np.sin(np.pi * s * rng.uniform(0.7, 2)))
    a2 = bend * (rng.normal() * s + 0.5 * rng.normal() * np.sin(np.pi * s * rng.uniform(0.7, 2)))
    kink = rng.normal(size=(2, n)).cumsum(1) * bend * 0.03
    d = unit(t + np.tan(a1 + kink[0])[:, None] * b + np.tan(a2 + kink[1])[:, None] * c)
    step = length / (n - 1)
    return np.asarray(start + np.r_[np.zeros((1, 3)), np.cumsum(d[:-1] * step, 0)])


def grow(
    rng: np.random.Generator,
    centre: NDArray[Any],
    heading: NDArray[Any],
    length: float,
    base_d: float,
    shoots: int,
) -> list[Stem]:
    """Main limb centred on `centre` plus `shoots` woody side shoots."""
    pts = curve(rng, np.zeros(3), heading, length, rng.uniform(0.05, 0.35))
    pts = pts - (pts[0] + pts[-1]) / 2 + centre
    s = np.linspace(0, 1, len(pts))
    tip = rng.uniform(2.0, min(4.5, base_d * 0.7))
    stems = [Stem(pts, (base_d * (1 - s) ** rng.uniform(0.6, 1.2) * (1 - tip / base_d) + tip) / 2)]
    for i in range(shoots):
        where = rng.uniform(0.12, 0.85) * length
        p, d, r = stems[0].at(np.array([where]))
        side = across(d[0], rng.normal(size=3))
        sub = curve(
            rng, p[0], d[0] + side * rng.uniform(0.5, 1.4), length * rng.uniform(0.15, 0.45), 0.3
        )
        rr = np.linspace(r[0] * rng.uniform(0.4, 0.75), 1.1, len(sub))
        stems.append(Stem(sub, np.maximum(rr, 1.0), i, where))
    return stems


def place_nodes(rng: np.random.Generator, stems: list[Stem], kind: Kind) -> Nodes:
    """Nodes along every stem, turning 144 degrees from one to the next (the usual 2/5 spiral)."""
    cols: list[list[NDArray[Any]]] = [[] for _ in range(7)]
    for st in stems:
        length = st.arc[-1]
        gap = rng.uniform(*kind.node_mm)
        s = np.arange(gap * (0.6 if st.shoot < 0 else 1.0), length, gap)
        s = np.clip(s + rng.normal(size=len(s)) * gap * 0.2, 3, length - 0.5)
        p, d, r = st.at(s)
        b = across(d, np.array([0.3, 0.2, 0.93]))
        c = np.cross(d, b)
        a = (
            rng.uniform(0, 6.28)
            + np.deg2rad(144) * np.arange(len(s))
            + rng.normal(size=len(s)) * 0.3
        )
        out = np.cos(a)[:, None] * b + np.sin(a)[:, None] * c
        along = s if st.shoot < 0 else np.full(len(s), st.joint_mm)
        for col, x in zip(cols, (s, p, d, out, r, np.full(len(s), st.shoot), along), strict=True):
            col.append(x)
    return Nodes(*(np.concatenate(c) for c in cols))


def strip_uv(
    k: int, rows: int, cols: int, strip: NDArray[Any], along: NDArray[Any]
) -> NDArray[Any]:
    """Texture coordinates of tubes in the bark picture, which holds four strips side by side."""
    u = (strip[:, None, None] + 0.04 + 0.92 * np.linspace(0, 1, cols)[None, None, :]) / 4
    uv = np.empty((k, rows, cols, 2), np.float32)
    uv[..., 0] = u
    uv[..., 1] = along[:, :, None]
    return uv


def add_stems(
    buf: MeshBuf, rng: np.random.Generator, stems: list[Stem], nodes: Nodes, obj: int
) -> None:
    """Add woody stems with swollen nodes."""
    for st in stems:
        a = st.arc
        n = int(np.clip(a[-1] / 2.5, 24, 320))
        s = np.linspace(0, a[-1], n)
        p, _, r = st.at(s)
        mine = nodes.shoot == st.shoot
        gap = s[:, None] - nodes.s_mm[mine][None, :]
        sides = 14 if st.shoot < 0 else 10
        lumps = np.ones((n, sides + 1))
        swell = np.exp(-((gap / (2.0 + 0.6 * r.mean())) ** 2)).sum(1) * 0.22
        ring = rng.normal(size=sides)
        lumps += swell[:, None] * (1 + 0.7 * np.r_[ring, ring[:1]])
        wob = np.cumsum(rng.normal(size=(n, sides)), 0) * 0.02
        wob = np.c_[wob, wob[:, :1]]
        lumps = np.clip(lumps + wob - wob.mean(), 0.7, 1.7)
        r = r.copy()
        r[-1] *= 0.2
        old = STRIP_LIMB if r.mean() < 9 or rng.random() < 0.5 else STRIP_OLD
        uv = strip_uv(1, n, sides + 1, np.array([old]), (s / 90 + rng.random())[None])
        buf.add_grids(
            tubes(p[None], r[None], sides, lumps[None]), uv=uv, obj=np.array([obj]), wrap=True
        )


def add_twigs(
    buf: MeshBuf,
    lines: NDArray[Any],
    radius: NDArray[Any],
    strip: NDArray[Any],
    obj: NDArray[Any] | int = 0,
    sides: int = 6,
) -> None:
    """Add thin tubes in one go: stalks, leaf stalks, green shoots, dried bits."""
    if len(lines) == 0:
        return
    k, rows, _ = lines.shape
    along = np.linspace(0, 0.3, rows)[None, :] + np.linspace(0, 7.7, k)[:, None]
    uv = strip_uv(k, rows, sides + 1, strip, along)
    buf.add_grids(tubes(lines, radius, sides), uv=uv, obj=np.broadcast_to(obj, (k,)), wrap=True)
