"""Young stone fruit: longer than wide, a groove down one side, a point, dried flower remains."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .kinds import Kind
from .mesh import unit
from .wood import Nodes, Stem

GREEN, YELLOWING, DAMAGED = "green", "yellowing", "damaged"


@dataclass
class Fruit:
    """Columns, one row a fruit.

    `axis` runs from stalk end to tip; `anchor` is where the stalk starts.
    """

    centre: NDArray[Any]
    axis: NDArray[Any]
    diameter: NDArray[Any]
    ratio: NDArray[Any]
    cls: list[str]
    anchor: NDArray[Any]
    out: NDArray[Any]
    along_mm: NDArray[Any]
    shoot: NDArray[Any]
    on_limb: NDArray[Any]

    def __len__(self) -> int:
        return len(self.diameter)

    def rows(self, index: NDArray[Any]) -> Fruit:
        """Only the fruit of the given numbers."""
        names = [k for k in self.__dataclass_fields__ if k != "cls"]
        cols = {k: getattr(self, k)[index] for k in names}
        return Fruit(**cols, cls=[self.cls[int(i)] for i in index])


def join(parts: list[Fruit]) -> Fruit:
    """All parts as one."""
    names = [k for k in Fruit.__dataclass_fields__ if k != "cls"]
    cols = {k: np.concatenate([getattr(p, k) for p in parts]) for k in names}
    return Fruit(**cols, cls=[c for p in parts for c in p.cls])


def pick_sites(rng: np.random.Generator, nodes: Nodes, kind: Kind, count: int) -> NDArray[Any]:
    """Node index of each of about `count` fruit, in clusters."""
    sites: list[int] = []
    order = rng.permutation(len(nodes.s_mm))
    for i in order:
        if len(sites) >= count:
            break
        sites += [int(i)] * int(1 + rng.choice(len(kind.cluster), p=np.array(kind.cluster)))
    return np.array(sites[: max(count, 0)], int)


def _classes(rng: np.random.Generator, n: int, shares: tuple[float, float] | None) -> NDArray[Any]:
    """Class of each of `n` fruit; `shares` as in `hang`."""
    u = rng.random(n)
    share = rng.choice([0.0, 0.06, 0.15, 0.25], p=[0.2, 0.3, 0.25, 0.25])
    hurt_share = rng.choice([0, 0.05, 0.12])
    if shares is None:
        return np.where(u < share, YELLOWING, np.where(u > 1 - hurt_share, DAMAGED, GREEN))
    rank = rng.permutation(n)
    yellow, hurt = round(n * shares[0]), round(n * shares[1])
    return np.where(rank < yellow, YELLOWING, np.where(rank < yellow + hurt, DAMAGED, GREEN))


def hang(
    rng: np.random.Generator,
    nodes: Nodes,
    kind: Kind,
    sites: NDArray[Any],
    size_mm: float,
    shares: tuple[float, float] | None = None,
) -> Fruit:
    """Fruit at the given nodes, on the limb until told otherwise.

    `size_mm` is their usual diameter. `shares` fixes the shares of yellowing and damaged fruit
    (to whole fruit) instead of drawing them.
    """
    n = len(sites)
    d = size_mm * np.clip(rng.normal(1, 0.16, n), 0.5, 1.45)
    cls = _classes(rng, n, shares)
    d = np.where(cls == YELLOWING, d * rng.uniform(0.4, 0.78, n), d)
    ratio = rng.uniform(*kind.length_ratio, n)
    out = unit(
        nodes.out[sites]
        + rng.normal(size=(n, 3)) * 0.55
        + nodes.along[sites] * rng.uniform(-0.4, 0.8, (n, 1))
    )
    stalk = rng.uniform(*kind.stalk_mm, n)
    sag = np.clip(stalk / 14, 0.15, 2.2)[:, None] * rng.uniform(0.4, 1.5, (n, 1))
    axis = unit(out + sag * [0, 0, -1.0] + rng.normal(size=(n, 3)) * 0.15)
    anchor = nodes.pos[sites] + nodes.out[sites] * nodes.radius[sites][:, None] * 0.85
    centre = anchor + unit(out + axis) * stalk[:, None] + axis * (d * ratio / 2)[:, None]
    return Fruit(
        centre,
        axis,
        d,
        ratio,
        [str(c) for c in cls],
        anchor,
        out,
        nodes.main_mm[sites].astype(float),
        nodes.shoot[sites].astype(int),
        np.ones(n, bool),
    )


def push_apart(fr: Fruit, stems: list[Stem]) -> None:
    """Move centres until fruit touch each other and the wood instead of running into them."""
    if len(fr) == 0:
        return
    wood = np.concatenate([s.points for s in stems])
    wr = np.concatenate([s.radius for s in stems])
    r = fr.diameter * (0.5 + 0.25 * (fr.ratio - 1))
    c = fr.centre
    for _ in range(25):
        d = c[:, None] - c[None]
        dist = np.linalg.norm(d, axis=2) + np.eye(len(c)) * 1e6
        lap = np.maximum(r[:, None] + r[None] - dist - 0.4, 0)
        c = c + 0.5 * (lap[..., None] * d / dist[..., None]).sum(1)
        dw = c[:, None] - wood[None]
        dd = np.linalg.norm(dw, axis=2)
        j = dd.argmin(1)
        gap = dd[np.arange(len(c)), j]
        lap_w = np.maximum(r * 0.95 + wr[j] - gap, 0)
        c = c + lap_w[:, None] * dw[np.arange(len(c)), j] / np.maximum(gap, 1e-3)[:, None]
    fr.centre = c
    rest = unit(c - fr.anchor)
    fr.axis = unit(0.75 * rest + fr.axis * 0.5)
