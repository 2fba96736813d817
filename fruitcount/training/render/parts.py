"""What a scene is made of, what its maker may fix, and the bench its parts are made at."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .camera import Camera
from .card import Card
from .fruit import Fruit
from .kinds import Kind
from .light import Light
from .mesh import MeshBuf
from .wood import Stem

PARTS = ("fruit", "leaf_top", "leaf_under", "wood", "foliage", "matte", "card")


@dataclass(frozen=True)
class Options:
    """What the caller may fix; None leaves it to the seed.

    `card_frac` is the chance of a scale card; `clear_card` the chance that leaves are kept off it;
    `detail` multiplies the fineness of meshes and pictures, for large photographs. `dense_frac` is
    the chance of a limb in full leaf: large leaves all over it, few fruit, most in their shade.
    `setting_frac` is the chance of a parent, sister limbs, trunk, wires and the like round it.
    `shuck_frac` is the chance that peaches, nectarines or apricots are at shuck split.
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
    dense_frac: float = 0.5
    shuck_frac: float = 0.35
    setting_frac: float = 0.0


@dataclass
class Scene:
    """Buffers a material and everything the truth needs."""

    seed: int
    kind: Kind
    bufs: dict[str, MeshBuf]
    cam: Camera
    light: Light
    stems: list[Stem]
    fruit: Fruit
    grids: NDArray[Any]
    card: Card | None
    bark: tuple[float, float, float]
    focus: NDArray[Any]
    look: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Bench:
    """What every part is made with: one stream of draws, the buffers it goes into, who looks on."""

    rng: np.random.Generator
    bufs: dict[str, MeshBuf]
    kind: Kind
    cam: Camera
    opt: Options


def empty_bufs() -> dict[str, MeshBuf]:
    """A buffer a part."""
    bufs = {p: MeshBuf() for p in PARTS}
    for end in (-3e4, 3e4):  # always the same outer box, so the compiled kernels are used again
        tri = np.full((3, 3), end) + np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]]) * -np.sign(end)
        bufs["matte"].add(tri, np.array([[0, 1, 2]]), np.tile([0, 0, 1.0], (3, 1)))
    return bufs
