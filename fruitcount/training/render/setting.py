"""What a limb hangs among: its parent and sister limbs, a trunk, wires, a hose, stakes, a sheet.

All drawn from a stream of its own, so that scenes without a setting stay as they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import wood
from .camera import Camera
from .dress import cam_target
from .mesh import MeshBuf, tubes, unit
from .noise import fractal

_SALT = 88
STAKES = np.array([[0.5, 0.38, 0.2], [0.3, 0.3, 0.31], [0.22, 0.14, 0.09], [0.6, 0.6, 0.58]])
SHEETS = np.array(
    [[0.8, 0.8, 0.78], [0.72, 0.74, 0.78], [0.4, 0.4, 0.41], [0.1, 0.22, 0.5], [0.03, 0.03, 0.03]]
)


@dataclass(frozen=True)
class Setting:
    """Wood beside the limb: stems that bear only leaves, and sister limbs that bear fruit too."""

    bare: list[wood.Stem]
    sisters: list[list[wood.Stem]]


def add_setting(
    bufs: dict[str, MeshBuf], cam: Camera, stems: list[wood.Stem], seed: int
) -> Setting:
    """Add wires, hose, stakes and sheet to the buffers; return the wood for its maker to dress."""
    rng = np.random.default_rng([seed, _SALT])
    bare: list[wood.Stem] = []
    sisters: list[list[wood.Stem]] = []
    parent = _parent(rng, stems[0], cam) if rng.random() < 0.6 else None
    if parent is not None:
        bare.append(parent)
    for _ in range(int(rng.choice([0, 1, 2, 3], p=[0.4, 0.3, 0.2, 0.1]))):
        sisters.append(_sister(rng, stems[0], parent, cam))
    if rng.random() < 0.25:
        bare.append(_trunk(rng, cam))
    matte = bufs["matte"]
    if rng.random() < 0.25:
        for _ in range(int(rng.integers(1, 4))):
            _rod(matte, rng, cam, (1.2, 2.2), np.array([0.25, 0.25, 0.26]), level=True)
    if rng.random() < 0.22:
        _rod(matte, rng, cam, (6.5, 10.5), np.array([0.02, 0.02, 0.022]), level=True)
    if rng.random() < 0.22:
        tone = STAKES[rng.integers(len(STAKES))] * rng.uniform(0.7, 1.2)
        _rod(matte, rng, cam, (5.0, 24.0), tone, level=False)
    if rng.random() < 0.12:
        _sheet(matte, rng, cam)
    return Setting(bare, sisters)


def _parent(rng: np.random.Generator, main: wood.Stem, cam: Camera) -> wood.Stem:
    """The thicker stem that bears the limb, across its base or forking with it."""
    p, d, r = main.at(np.array([0.0]))
    side = unit(np.cross(d[0], cam.forward)) * rng.choice([-1, 1])
    # 0: square across the base; towards 1: a fork, both going the same way
    fork = rng.uniform(0.0, 0.9)
    axis = unit(side + d[0] * fork + cam.forward * rng.uniform(-0.15, 0.25))
    radius = r[0] * rng.uniform(1.2, 2.6)
    t = np.linspace(-rng.uniform(150, 1200), rng.uniform(150, 1200), 48)[:, None]
    back = unit(d[0] - (d[0] @ axis) * axis)
    sway = 0.06 * np.abs(t) * np.sin(t / 300 + rng.uniform(0, 6)) * unit(cam.forward)
    taper = radius * np.linspace(1.2, 0.7, 48)
    return wood.Stem(p[0] - back * radius * 0.7 + t * axis + sway, taper)


def _sister(
    rng: np.random.Generator, main: wood.Stem, parent: wood.Stem | None, cam: Camera
) -> list[wood.Stem]:
    """A limb much like the one that is meant, from the same parent or beside it, off centre."""
    p, d, r = main.at(np.array([0.0]))
    length = main.arc[-1] * rng.uniform(0.5, 1.1)
    aside = unit(np.cross(d[0], cam.forward)) * rng.choice([-1, 1])
    heading = unit(d[0] + aside * rng.uniform(0.1, 0.9) + cam.forward * rng.uniform(-0.2, 0.5))
    start = p[0] + aside * rng.uniform(15, 160) + cam.forward * rng.uniform(0, 160)
    if parent is not None:
        start = parent.points[int(rng.integers(8, 40))]
    pts = wood.curve(rng, start, heading, length, rng.uniform(0.05, 0.35))
    s = np.linspace(0, 1, len(pts))
    base, tip = r[0] * rng.uniform(0.6, 1.05), 1.5
    return [wood.Stem(pts, np.maximum(base * (1 - s) ** rng.uniform(0.6, 1.2), tip))]


def _trunk(rng: np.random.Generator, cam: Camera) -> wood.Stem:
    """An upright trunk behind the limb."""
    reach = cam.width / cam.focal_px * cam.focus_mm
    depth = rng.uniform(80, 600)
    foot = cam_target(cam) + cam.forward * depth + cam.right * rng.uniform(-0.5, 0.5) * reach
    lean = unit(cam.up + cam.right * rng.normal(0, 0.2))
    t = np.linspace(-1400, 1400, 48)[:, None]
    sway = 15 * np.sin(t / 260 + rng.uniform(0, 6)) * cam.right
    return wood.Stem(foot + t * lean + sway, np.full(48, rng.uniform(22, 75)))


def _rod(
    matte: MeshBuf,
    rng: np.random.Generator,
    cam: Camera,
    radius_mm: tuple[float, float],
    tone: NDArray[Any],
    *,
    level: bool,
) -> None:
    """A long rod through the picture, level (sagging a little) or upright, near the limb."""
    reach = max(cam.width, cam.height) / cam.focal_px * cam.focus_mm
    depth = rng.uniform(-60, 400)
    along, other = (cam.right, cam.up) if level else (cam.up, cam.right)
    axis = unit(along + other * rng.normal(0, 0.18) + cam.forward * rng.normal(0, 0.15))
    middle = cam_target(cam) + cam.forward * depth + other * rng.uniform(-0.4, 0.4) * reach
    t = np.linspace(-1.5, 1.5, 40)[:, None] * reach
    sag = -cam.up * 0.05 * reach * (1 - (t / reach) ** 2) * rng.uniform(0, 1) * level
    line = middle + t * axis + sag
    matte.add_grids(
        tubes(line[None], np.full((1, 40), rng.uniform(*radius_mm)), 10),
        col=np.broadcast_to(tone, (1, 40, 11, 3)),
        wrap=True,
    )


def _sheet(matte: MeshBuf, rng: np.random.Generator, cam: Camera) -> None:
    """A cloth or board hung behind the limb: folds, tilt, not always filling the picture."""
    n = 60
    reach = max(cam.width, cam.height) / cam.focal_px * cam.focus_mm * rng.uniform(0.4, 0.9)
    depth = rng.uniform(50, 260)
    u = np.linspace(-1, 1, n) * reach
    x, y = np.meshgrid(u, u * rng.uniform(0.5, 1.0), indexing="ij")
    folds = (fractal(rng, (n, n), (3, 5), 3) - 0.5) * rng.uniform(0, 90)
    tilt = rng.normal(0, 0.15, 2)
    shift = rng.uniform(-0.25, 0.25, 2) * reach
    off = cam.forward * (depth + 45)
    p = (
        cam_target(cam)
        + off
        + (x + shift[0])[..., None] * cam.right
        + (y + shift[1])[..., None] * cam.up
        + (folds + tilt[0] * x + tilt[1] * y)[..., None] * cam.forward
    )
    tone = SHEETS[rng.integers(len(SHEETS))] * rng.uniform(0.85, 1.1)
    matte.add_grids(p[None], col=np.broadcast_to(tone, (1, n, n, 3)))
