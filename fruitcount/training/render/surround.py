"""What stands round the target limb: other limbs with their fruit, ground and far trees."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import fruit as fruit_mod
from . import fruit_mesh, ground, wood
from .camera import Camera
from .dress import add_leaves, cam_target, keep_clear, leafy
from .kinds import CHERRY
from .parts import Bench
from .shuck import add_shucks


def fruit_detail(cam: Camera, fr: fruit_mod.Fruit) -> tuple[int, int]:
    """Rows and columns of the fruit meshes: finer, the larger fruit are in the picture."""
    _, z = cam.project(fr.centre)
    px = float(np.median(fr.diameter / np.maximum(z, 50)) * cam.focal_px)
    rows = int(np.clip(px * 0.8, 14, 90))
    return rows, rows + rows // 2


def _stems_behind(at: Bench, nearest: float) -> list[wood.Stem]:
    """Wood of a limb at least `nearest` mm behind the target, somewhere in the frame."""
    rng, cam = at.rng, at.cam
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
    return wood.grow(rng, c, h, rng.uniform(300, 900), rng.uniform(5, 16), int(rng.integers(0, 3)))


def other_limb(at: Bench, fruit_mm: float, nearest: float = 90) -> fruit_mod.Fruit:
    """A limb at least `nearest` mm behind the target with its own leaves and fruit.

    The fruit returned do not belong to the target; `fruit_mm` is their usual diameter.
    """
    return dressed_limb(at, _stems_behind(at, nearest), fruit_mm)


def dressed_limb(at: Bench, stems: list[wood.Stem], fruit_mm: float) -> fruit_mod.Fruit:
    """Wood, leaves and fruit of a limb that is not the target; returns its fruit."""
    rng, kind, bits = at.rng, at.kind, at.bufs["wood"]
    nodes = wood.place_nodes(rng, stems, kind)
    wood.add_stems(bits, rng, stems, nodes, wood.OBJ_OTHER)
    size = float(np.clip(0.45 + fruit_mm / 40, 0.4, 1.1))
    lv = leafy(rng, nodes, kind, size, rng.uniform(0.4, 0.95), bits)
    add_leaves(at, keep_clear(lv, at.cam, None))
    n = int(rng.gamma(1.5, 6)) if kind is not CHERRY else int(rng.gamma(1.5, 9))
    sites = fruit_mod.pick_sites(rng, nodes, kind, min(n, 30))
    fr = fruit_mod.hang(rng, nodes, kind, sites, fruit_mm)
    fruit_mod.push_apart(fr, stems)
    fr.on_limb[:] = False
    return fr


def add_all_fruit(
    at: Bench,
    own: fruit_mod.Fruit,
    others: int | None,
    fruit_mm: float,
    nearest: float = 90,
    sisters: Sequence[list[wood.Stem]] = (),
) -> tuple[fruit_mod.Fruit, NDArray[Any]]:
    """The target limb's fruit, its sisters', and `others` limbs behind (None: 0 to 11, drawn).

    Returns all fruit and their vertex grids; see `other_limb` for `fruit_mm` and `nearest`.
    """
    detail = fruit_detail(at.cam, own)
    parts = [own]
    grids = [_add_fruit(at, own, 0, detail)]
    if others is None:
        others = int(at.rng.choice([0, 2, 4, 7, 11], p=[0.14, 0.22, 0.28, 0.22, 0.14]))
    for k in range(len(sisters) + others):
        if k < len(sisters):
            other = dressed_limb(at, sisters[k], fruit_mm)
        else:
            other = other_limb(at, fruit_mm, nearest)
        if len(other):
            grids.append(_add_fruit(at, other, sum(map(len, parts)), detail))
            parts.append(other)
    return fruit_mod.join(parts), np.concatenate(grids)


def _add_fruit(
    at: Bench, fr: fruit_mod.Fruit, first_id: int, detail: tuple[int, int]
) -> NDArray[Any]:
    """Add one limb's fruit, the kind's share of them in shucks; returns their vertex grids."""
    bits = at.bufs["wood"]
    grids = fruit_mesh.add(at.bufs["fruit"], bits, fr, at.kind, at.rng, first_id, detail)
    if at.kind.shuck:  # no draws where there are none: the sample photographs stay as they are
        add_shucks(at.bufs["foliage"], bits, fr, at.kind.shuck, at.rng, first_id)
    return grids


def add_background(at: Bench, z: float) -> None:
    """Ground at height `z` mm, its cover and clutter, and far trees unless the lens looks down."""
    bufs, rng, cam = at.bufs, at.rng, at.cam
    ground.add_soil(bufs["matte"], rng, z)
    ground.add_cover(bufs["foliage"], bufs["matte"], rng, cam, z)
    if cam.forward[2] > -0.55:
        ground.add_far_trees(bufs["foliage"], bufs["wood"], rng, cam, z, wood.OBJ_OTHER)
    ground.add_clutter(bufs["matte"], rng, cam, z)
