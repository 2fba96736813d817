"""One limb seen from several sides: the same wood, leaves and fruit, a camera and card a side.

Every orchard, limb and number here is invented.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import card as card_mod
from . import light, wood
from .camera import Camera, aim
from .dress import add_decoys, add_leaves, add_shade, keep_clear, leafy, thin_leaves
from .fruit import Fruit
from .mesh import unit
from .parts import Bench, Options, Scene, empty_bufs
from .shots import Shot, direction
from .staging import frame, grow_limb, hang_fruit, parent_stem
from .surround import add_all_fruit, add_background

SIDES = ("front", "turned", "aside", "below", "back")
_SALT = 923
_FROM_BEHIND = 110.0
"""Turned further than this, a camera sees what lies behind from the other side."""

Heading = tuple[str, float, float]
"""A view's name, its turn round the upright in degrees, and its pitch (up is positive)."""


def _sides(rng: np.random.Generator) -> list[Heading]:
    pitch = rng.uniform(-25, 12)
    sign = rng.choice([-1, 1], 2)
    return [
        ("front", 0.0, pitch),
        ("turned", sign[0] * rng.uniform(9, 20), pitch + rng.uniform(-5, 5)),
        ("aside", sign[1] * rng.uniform(30, 45), pitch + rng.uniform(-8, 8)),
        ("below", rng.uniform(-15, 15), rng.uniform(25, 50)),
        ("back", 180 + rng.uniform(-20, 20), pitch + rng.uniform(-10, 10)),
    ]


def _walk(rng: np.random.Generator, frames: int) -> list[Heading]:
    pitch, reach = rng.uniform(-20, 5), rng.uniform(25, 40)
    turns = np.linspace(-reach, reach, frames)
    sway = 1.5 * np.sin(np.linspace(0, 9, frames) + rng.uniform(0, 6))
    return [(f"{k:03d}", float(t), float(pitch + sway[k])) for k, t in enumerate(turns)]


def scenes_around(s: Shot) -> Iterator[tuple[str, Scene]]:
    """The shot's limb from each of SIDES; the same shot gives the same scenes.

    The fruit hang all round the limb, their numbers are the same in every scene, and the sun
    stays where it is. A card is held up anew for each side.
    """
    rng = np.random.default_rng([s.seed, _SALT])
    yield from _scenes(s, rng, _sides(rng))


def walk_past(s: Shot, frames: int) -> Iterator[tuple[str, Scene]]:
    """The shot's limb in `frames` steps of a walk past it, one card throughout."""
    rng = np.random.default_rng([s.seed, _SALT, 1])
    yield from _scenes(s, rng, _walk(rng, frames), one_card=True)


def _scenes(
    s: Shot, rng: np.random.Generator, views: list[Heading], *, one_card: bool = False
) -> Iterator[tuple[str, Scene]]:
    yaw = rng.uniform(0, 2 * np.pi)
    middle = len(views) // 2 if one_card else 0
    fwd = _forward(yaw, *views[middle][1:])
    first = aim(fwd, np.zeros(3), 900.0, size=s.size, fov_deg=rng.uniform(54, 64), roll=0.0,
                aperture=rng.uniform(4.0, 7.0))  # fmt: skip
    heading = unit(direction(s, first.right, first.up, first.forward))
    stems = grow_limb(rng, s, heading, 0.6 * fwd)
    nodes = wood.place_nodes(rng, stems, s.kind)
    fr = hang_fruit(rng, s, nodes, stems, np.zeros(3))
    seed = int(rng.integers(2**31))
    shown = [_seen_from(s, first, _forward(yaw, *v[1:]), stems, fr, seed) for v in views]
    if one_card:
        first, card, hook = shown[middle]
        shown = [(_on_arc(first, cam.forward), card, hook) for cam, _, _ in shown]
    at = Bench(rng, empty_bufs(), s.kind, shown[middle][0], Options(size=s.size, detail=1.3))
    _dress(at, s, stems, nodes, fr, shown)
    lit = light.choose(rng, shown[middle][0], s.light)
    bark = s.kind.bark[rng.integers(len(s.kind.bark))]
    look = {"leaf_rough": float(rng.uniform(0.35, 0.6)), "leaf_spec": float(rng.uniform(0.4, 0.8))}
    grounds: dict[bool, Any] = {}
    for (name, turn, _), (cam, card, hook) in zip(views, shown, strict=True):
        behind = abs(turn) > _FROM_BEHIND
        if behind not in grounds:
            grounds[behind] = _surround(replace(at, cam=cam), s, lit, fr, seed + behind)
        bufs, every, grids = grounds[behind]
        bufs = copy.deepcopy(bufs)
        card_mod.add(bufs["card"], bufs["wood"], card, hook, np.random.default_rng(seed))
        yield (
            name,
            Scene(
                s.seed, s.kind, bufs, cam, lit, stems, every, grids, card, bark, np.zeros(3), look
            ),
        )


def _forward(yaw: float, turn_deg: float, pitch_deg: float) -> NDArray[Any]:
    y, p = yaw + np.deg2rad(turn_deg), np.deg2rad(pitch_deg)
    return np.array([np.cos(p) * np.cos(y), np.cos(p) * np.sin(y), np.sin(p)])


def _seen_from(
    s: Shot, first: Camera, forward: NDArray[Any], stems: list[wood.Stem], fr: Fruit, seed: int
) -> tuple[Camera, card_mod.Card, NDArray[Any]]:
    """The camera that looks along `forward`, with limb, fruit and its own card in the frame."""
    rng = np.random.default_rng([seed, round(1e6 * abs(float(forward.sum())))])
    up = aim(forward, np.zeros(3), 900.0, size=s.size, fov_deg=60.0, roll=rng.normal(0, 0.06),
             aperture=first.aperture_mm)  # fmt: skip
    cam = replace(up, focal_px=first.focal_px)
    return frame(replace(s, fill=float(rng.uniform(0.75, 0.92))), cam, stems, fr, seed)


def _on_arc(first: Camera, forward: NDArray[Any]) -> Camera:
    """`first`, turned about the point that it looks at; a little farther off, to lose nothing."""
    target = first.eye + first.forward * first.focus_mm
    far = first.focus_mm * 1.12
    new = aim(forward, target, far, size=(first.width, first.height), fov_deg=60.0, roll=0.0,
              aperture=first.aperture_mm)  # fmt: skip
    return replace(new, focal_px=first.focal_px)


def _dress(
    at: Bench,
    s: Shot,
    stems: list[wood.Stem],
    nodes: wood.Nodes,
    fr: Fruit,
    shown: list[tuple[Camera, card_mod.Card, NDArray[Any]]],
) -> None:
    """Wood, leaves and decoys of the limb; the leaves leave every side's card free."""
    rng, bits = at.rng, at.bufs["wood"]
    wood.add_stems(bits, rng, stems, nodes, wood.OBJ_TARGET)
    parent = parent_stem(rng, s, stems, at.cam.forward)
    bare = wood.place_nodes(rng, [parent], s.kind)
    wood.add_stems(bits, rng, [parent], bare, wood.OBJ_OTHER)
    lv = leafy(rng, nodes, s.kind, 1.3 * s.leaf_size, s.leaf_frac**0.5, bits)
    add_decoys(at, nodes)
    lv = thin_leaves(rng, lv, at.cam, stems, fr, s.front_frac**0.3)
    for cam, card, _ in shown[:1] + shown[-1:] if len(shown) > len(SIDES) else shown:
        lv = keep_clear(lv, cam, card)
    add_leaves(at, lv)


def _surround(
    at: Bench, s: Shot, lit: light.Light, fr: Fruit, seed: int
) -> tuple[dict[str, Any], Fruit, NDArray[Any]]:
    """The dressed limb with its fruit, and what lies behind it for this camera."""
    at = replace(at, rng=np.random.default_rng(seed), bufs=copy.deepcopy(at.bufs))
    every, grids = add_all_fruit(at, fr, s.others, s.fruit_mm, nearest=330)
    p, h = light.canopy(at.rng, lit, at.cam, s.length_mm)
    few = at.rng.random(len(p)) < 0.3
    add_shade(at, p[few], h[few])
    add_background(at, float(min(-at.rng.uniform(700, 1300), -0.6 * s.length_mm)))
    return at.bufs, every, grids
