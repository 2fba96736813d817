"""The shuck: the dried flower cup that young peaches burst out of, and the dried style.

At shuck split, the stage after bloom, it is a papery brown sleeve round part of the fruit, torn at
its rim into the five sepals; later it hangs on one side or slides off over the tip. How it looks
is judged by eye from photographs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .fruit import Fruit
from .mesh import MeshBuf, across
from .noise import waves
from .wood import OBJ_FRUIT, STRIP_DRY, add_twigs

ROWS, COLS = 9, 31

PAPER = np.array(
    [
        (0.44, 0.34, 0.18),
        (0.36, 0.25, 0.12),
        (0.28, 0.17, 0.08),
        (0.14, 0.08, 0.045),
        (0.3, 0.14, 0.09),
    ]
)
"""Buff, straw, tan, dark and old pink; linear reflectance."""


@dataclass(frozen=True)
class Sleeve:
    """Papery sleeves round K fruit: vertices (K, rows, columns, 3) and colours like them."""

    points: NDArray[Any]
    colours: NDArray[Any]


def _reach(rng: np.random.Generator, n: int) -> tuple[NDArray[Any], NDArray[Any]]:
    """From where to where sleeves go along the axis (-1 stalk end, 1 tip), shape (n, 1, 1) each.

    A cup sits at the stalk end, a cap has slid over the tip, a rag is left somewhere.
    """
    how = rng.choice(3, n, p=[0.45, 0.35, 0.2])
    start = np.where(how == 0, -0.97, np.where(how == 1, rng.uniform(-0.1, 0.7, n), -0.6))
    end = np.where(how == 0, rng.uniform(-0.5, 0.6, n), rng.uniform(0.95, 1.6, n))
    end = np.where(how == 2, start + rng.uniform(0.4, 1.2, n), end)
    return start[:, None, None], end[:, None, None]


def sleeves(fr: Fruit, rng: np.random.Generator) -> Sleeve:
    """A sleeve for every fruit of `fr`."""
    n = len(fr)
    start, end = _reach(rng, n)
    whole = rng.random((n, 1, 1)) < 0.5
    span = np.where(whole, 2 * np.pi, rng.uniform(1.2, 5.0, (n, 1, 1)))
    turn = rng.uniform(0, 2 * np.pi, (n, 1, 1)) + span * np.linspace(0, 1, COLS)
    u = np.linspace(0, 1, ROWS)[None, :, None]
    lobe = rng.uniform(0.1, 0.6, (n, 1, 1)) * (0.5 - 0.5 * np.cos(5 * turn)) ** 2
    place = 9.0 * rng.normal(size=(n, 1, 1, 3))
    ring = np.stack([np.cos(turn), np.sin(turn), np.zeros_like(turn)], -1)
    tear = 0.12 * waves(ring + place, rng, 0.3)
    along = start + (end - start) * u * (1 - lobe - tear) + 0.1 * tear
    profile = np.sqrt(np.clip(1 - along**2, 0, 1)) ** 0.85
    neck = rng.uniform(0.25, 0.6, (n, 1, 1))
    flare = rng.uniform(0.0, 0.5, (n, 1, 1)) * u**2
    spot = np.concatenate([ring[..., :2] + 0 * u[..., None], along[..., None]], -1) + place
    crumple = 0.05 * waves(spot, rng, 0.35)
    out = np.maximum(profile, np.where(along > 0, neck, 0.2)) * (1.05 + flare + crumple)
    return Sleeve(_placed(fr, rng, ring * out[..., None], along), _paper(rng, spot, turn, u))


def _placed(
    fr: Fruit, rng: np.random.Generator, ring: NDArray[Any], along: NDArray[Any]
) -> NDArray[Any]:
    """Points in the scene of offsets across and along the axis, in radii and half lengths."""
    e = across(fr.axis, rng.normal(size=(len(fr), 3)))
    g = np.cross(fr.axis, e)
    half = (fr.diameter / 2)[:, None, None, None]
    long = half * fr.ratio[:, None, None, None]
    round_mm = ring[..., :1] * e[:, None, None] + ring[..., 1:2] * g[:, None, None]
    axis_mm = along[..., None] * fr.axis[:, None, None]
    return np.asarray(fr.centre[:, None, None] + half * round_mm + long * axis_mm)


def _paper(
    rng: np.random.Generator, spot: NDArray[Any], turn: NDArray[Any], u: NDArray[Any]
) -> NDArray[Any]:
    """Brown paper with veins along it, darker at the torn rim."""
    n = len(spot)
    one, other = PAPER[rng.integers(len(PAPER), size=(2, n))][:, :, None, None]
    mix = np.clip(0.5 + 0.5 * waves(spot, rng, 0.5), 0, 1)[..., None]
    veins = 1 + 0.15 * np.cos(10 * turn + 0 * u) + 0.12 * waves(spot, rng, 0.12, 16)
    shade = veins * (1 - 0.35 * u**3) * rng.uniform(0.6, 1.3, (n, 1, 1))
    return np.asarray(np.clip((one * mix + other * (1 - mix)) * shade[..., None], 0.01, 0.8))


def _threads(fr: Fruit, rng: np.random.Generator) -> tuple[NDArray[Any], NDArray[Any]]:
    """Centre lines (K, 6, 3) and radii (K, 6) of the dried style and the stamens round it."""
    lines, radii = [], []
    s = np.linspace(0, 1, 6)[None, :, None]
    for i in range(len(fr)):
        d, a = fr.diameter[i], fr.axis[i]
        k = 1 + int(rng.integers(0, 12))
        out = 0.7 * rng.normal(size=(k, 1, 3))
        out[0] *= 0.3  # the style goes on where the tip points
        reach = d * rng.uniform(0.15, 0.55, (k, 1, 1))
        reach[0] = d * rng.uniform(0.3, 1.2)
        bend = rng.normal(size=(k, 1, 3))
        tip = fr.centre[i] + a * d * fr.ratio[i] / 2 * 0.97
        lines.append(tip + (a + out) * s * reach + 0.5 * bend * s**2 * reach)
        thick = rng.uniform(0.15, 0.5, (k, 1))
        radii.append(thick * np.array([1.2, 1, 0.9, 0.8, 0.7, 0.9]))
    return np.concatenate(lines), np.concatenate(radii)


def add_shucks(
    paper: MeshBuf,
    bits: MeshBuf,
    fr: Fruit,
    share: float,
    rng: np.random.Generator,
    first_id: int | None,
) -> None:
    """Dress a share of the fruit in shucks and leave as many a dried style.

    Fruit under its shuck counts as seen: the sleeve bears the number of its fruit (counted from
    `first_id`; None for shells without fruit).
    """
    worn = np.flatnonzero(rng.random(len(fr)) < share)
    if len(worn):
        made = sleeves(fr.rows(worn), rng)
        obj = 0 if first_id is None else OBJ_FRUIT + first_id + worn
        paper.add_grids(made.points, col=made.colours, obj=np.broadcast_to(obj, (len(worn),)))
    styled = np.flatnonzero(rng.random(len(fr)) < share)
    if len(styled):
        lines, radii = _threads(fr.rows(styled), rng)
        add_twigs(bits, lines, radii, np.full(len(lines), STRIP_DRY), sides=4)
