"""Build the scene of one sample photograph: the whole limb in the frame, its card beside it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import card as card_mod
from . import fruit as fruit_mod
from . import leaves, light, wood
from .camera import Camera, aim
from .dress import add_decoys, add_leaves, add_shade, keep_clear, leafy, thin_leaves
from .mesh import MeshBuf, across, unit
from .parts import Bench, Options, Scene, empty_bufs
from .scene import view_direction
from .shots import Shot, direction
from .surround import add_all_fruit, add_background

STALK_SHORT_MM = 8.0  # below this the fruit sit on the wood and share neighbouring nodes


def grow_limb(
    rng: np.random.Generator, s: Shot, heading: NDArray[Any], forward: NDArray[Any]
) -> list[wood.Stem]:
    """The target limb centred on the origin, bent mostly in the picture plane, and its shoots."""
    pts = wood.curve(rng, np.zeros(3), heading, s.length_mm, rng.uniform(0.12, 0.3))
    pts = pts - (pts[0] + pts[-1]) / 2
    line = (pts @ heading)[:, None] * heading
    off = pts - line
    pts = line + off - 0.75 * (off @ forward)[:, None] * forward
    pts = pts * s.length_mm / np.linalg.norm(np.diff(pts, axis=0), axis=1).sum()
    u = np.linspace(0, 1, len(pts))
    main = wood.Stem(
        pts, ((s.base_mm - s.tip_mm) * (1 - u) ** rng.uniform(0.8, 1.1) + s.tip_mm) / 2
    )
    stems = [main]
    for i in range(s.shoots):
        where = rng.uniform(0.3, 0.7) * s.length_mm
        p, d, r = main.at(np.array([where]))
        side = np.cross(d[0], forward) * rng.choice([-1, 1])
        sub = wood.curve(
            rng,
            p[0],
            d[0] + side * rng.uniform(0.6, 1.0) + forward * rng.uniform(-0.1, 0.2),
            s.length_mm * 0.2,
            0.2,
        )
        stems.append(wood.Stem(sub, np.linspace(r[0] * 0.55, 1.3, len(sub)), i, where))
    return stems


def parent_stem(
    rng: np.random.Generator, s: Shot, stems: list[wood.Stem], forward: NDArray[Any]
) -> wood.Stem:
    """The bigger stem the limb grows from, running out of the frame on both sides."""
    p, d, r = stems[0].at(np.array([0.0]))
    side = unit(np.cross(d[0], forward))
    side = side * (1 if side[2] >= 0 else -1)
    axis = unit(side + d[0] * rng.uniform(0.1, 0.45) + forward * rng.uniform(0.05, 0.2))
    rad = r[0] * rng.uniform(1.35, 1.8)
    back = unit(d[0] - (d[0] @ axis) * axis)
    t = np.linspace(-1500, 1500, 48)[:, None]
    sway = 12 * np.sin(t / 260 + rng.uniform(0, 6)) * unit(forward) * np.clip(np.abs(t) / 300, 0, 1)
    taper = rad * np.linspace(1.2, 0.85, 48)
    return wood.Stem(p[0] - back * rad * 0.7 + t * axis + sway, taper)


def pick_sites(
    rng: np.random.Generator, s: Shot, nodes: wood.Nodes, forward: NDArray[Any]
) -> NDArray[Any]:
    """Node of each fruit: clusters at spaced places that mostly face the lens.

    A share `outer_frac` of the fruit hangs on the outer two thirds.
    """
    faces = np.einsum("ij,j->i", nodes.out, forward)
    ok = (faces < 0.45) & (nodes.main_mm > 0.07 * s.length_mm)
    outer = nodes.main_mm > s.length_mm / 3
    sites: list[int] = []
    for part, want in (
        (outer, round(s.fruit * s.outer_frac)),
        (~outer, s.fruit - round(s.fruit * s.outer_frac)),
    ):
        pool = np.flatnonzero(part & ok)
        got: list[int] = []
        taken = np.zeros(0)
        while len(got) < want and len(pool):
            far = (
                np.abs(nodes.s_mm[pool][:, None] - taken[None]).min(1)
                if len(taken)
                else np.full(len(pool), 1e3)
            )
            i = int(pool[np.argmax(np.minimum(far, 90) + rng.uniform(0, 60, len(pool)))])
            n = int(1 + rng.choice(len(s.cluster), p=np.array(s.cluster)))
            near = pool[
                np.argsort(
                    np.abs(nodes.s_mm[pool] - nodes.s_mm[i])
                    + 1e4 * (nodes.shoot[pool] != nodes.shoot[i])
                )
            ]
            spread = 2 if s.kind.stalk_mm[1] < STALK_SHORT_MM else 5
            use = [int(near[min(k // spread, len(near) - 1)]) for k in range(n)]
            got += use
            taken = np.append(taken, nodes.s_mm[i])
            pool = pool[~np.isin(pool, use)]
        if len(got) < want:  # every place taken: more fruit at some of them
            got += [int(i) for i in rng.choice(np.flatnonzero(part & ok), want - len(got))]
        sites += got[:want]
    return np.array(sites, int)


def hang_fruit(
    rng: np.random.Generator,
    s: Shot,
    nodes: wood.Nodes,
    stems: list[wood.Stem],
    forward: NDArray[Any],
) -> fruit_mod.Fruit:
    """The target limb's fruit, 8 to 24 mm in diameter, none inside another or inside wood."""
    fr = fruit_mod.hang(
        rng,
        nodes,
        s.kind,
        pick_sites(rng, s, nodes, forward),
        s.fruit_mm,
        (s.yellow_frac, s.hurt_frac),
    )
    fr.diameter = np.clip(fr.diameter, 8.2, 23.8)
    fruit_mod.push_apart(fr, stems)
    return fr


def hang_card(
    rng: np.random.Generator, s: Shot, cam: Camera, stems: list[wood.Stem], depth: float
) -> tuple[card_mod.Card, NDArray[Any]]:
    """The card beside the limb, `depth` mm before the lens, and the point it hangs from."""
    p, d, r = stems[0].at(np.array([s.card_along * stems[0].arc[-1]]))
    side_mm, quiet = card_mod.side_of(s.card_id), 1.25
    away = unit(np.cross(d[0], cam.forward)) * s.card_side
    centre = p[0] + away * (r[0] + side_mm * (0.5 + quiet / 6) * 1.25 + s.fruit_mm * 1.3)
    centre = cam.eye + (centre - cam.eye) * (depth / ((centre - cam.eye) @ cam.forward))
    to_eye = unit(cam.eye - centre)
    t = np.deg2rad(s.card_tilt_deg)
    n = np.cos(t) * to_eye + np.sin(t) * across(to_eye, rng.normal(size=3))
    up = across(n, cam.up + 0.12 * rng.normal(size=3))
    return card_mod.Card(
        s.card_id, side_mm, centre, np.cross(up, n), up, s.card_tilt_deg, quiet
    ), p[0]


def frame(
    s: Shot, cam: Camera, stems: list[wood.Stem], fr: fruit_mod.Fruit, seed: int
) -> tuple[Camera, card_mod.Card, NDArray[Any]]:
    """Step back and aside until limb, fruit and card span `fill` of the frame; focus on it."""
    pts = np.concatenate(
        [st.points for st in stems]
        + [
            fr.centre + o * fr.diameter[:, None] * 0.65
            for o in (cam.right, -cam.right, cam.up, -cam.up)
        ]
    )
    for _ in range(8):
        z = float(np.mean((stems[0].points - cam.eye) @ cam.forward))
        card, hook = hang_card(np.random.default_rng(seed), s, cam, stems, z)
        px, _ = cam.project(np.concatenate([pts, card.outline]))
        lo, hi = px.min(0), px.max(0)
        size = np.array([cam.width, cam.height])
        mid = ((lo + hi) / 2 - (size / 2 - 0.5)) * z / cam.focal_px
        step = z * (float(((hi - lo) / size).max()) / s.fill - 1)
        cam = replace(cam, eye=cam.eye + cam.right * mid[0] - cam.up * mid[1] - cam.forward * step)
    z = float(np.mean((stems[0].points - cam.eye) @ cam.forward))
    card, hook = hang_card(np.random.default_rng(seed), s, cam, stems, z)
    return replace(cam, focus_mm=z), card, hook


def stage(s: Shot) -> Scene:
    """Everything from the shot's own numbers and seed; the same shot gives the same scene."""
    rng = np.random.default_rng([s.seed, *s.name.encode()])
    fwd = unit(view_direction(rng, s.background))
    cam = aim(
        fwd,
        np.zeros(3),
        900.0,
        size=s.size,
        fov_deg=rng.uniform(54, 64),
        roll=rng.normal(0, 0.06),
        aperture=rng.uniform(5.0, 8.0),
    )
    stems = grow_limb(rng, s, unit(direction(s, cam.right, cam.up, cam.forward)), fwd)
    nodes = wood.place_nodes(rng, stems, s.kind)
    fr = hang_fruit(rng, s, nodes, stems, fwd)
    cam, card, hook = frame(s, cam, stems, fr, int(rng.integers(2**31)))
    opt = Options(size=s.size, detail=1.3 if max(s.size) < 3000 else 2.0)
    at = Bench(rng, empty_bufs(), s.kind, cam, opt)
    _dress(at, s, stems, nodes, fr, card)
    card_mod.add(at.bufs["card"], at.bufs["wood"], card, hook, rng)
    lit = light.choose(rng, cam, s.light)
    every, grids = _surround(at, s, lit, fr)
    bark = s.kind.bark[rng.integers(len(s.kind.bark))]
    look = {"leaf_rough": float(rng.uniform(0.35, 0.6)), "leaf_spec": float(rng.uniform(0.4, 0.8))}
    mid = np.zeros(3)
    return Scene(s.seed, s.kind, at.bufs, cam, lit, stems, every, grids, card, bark, mid, look)


def _dress(
    at: Bench,
    s: Shot,
    stems: list[wood.Stem],
    nodes: wood.Nodes,
    fr: fruit_mod.Fruit,
    card: card_mod.Card,
) -> None:
    """Wood, leaves and decoys of the target limb and the stem it grows from."""
    rng, cam, bits = at.rng, at.cam, at.bufs["wood"]
    wood.add_stems(bits, rng, stems, nodes, wood.OBJ_TARGET)
    parent = parent_stem(rng, s, stems, cam.forward)
    pn = wood.place_nodes(rng, [parent], s.kind)
    wood.add_stems(bits, rng, [parent], pn, wood.OBJ_OTHER)
    lv = leafy(rng, nodes, s.kind, s.leaf_size, s.leaf_frac, bits)
    far = np.linalg.norm(pn.pos - stems[0].points[0], axis=1) > 60
    far_nodes = wood.Nodes(*(getattr(pn, k)[far] for k in pn.__dataclass_fields__))
    # the green shoots of the parent stem are drawn but not shown
    pl = leafy(rng, far_nodes, s.kind, s.leaf_size, s.leaf_frac * 0.35, MeshBuf())
    add_decoys(at, nodes)
    both = keep_clear(leaves.join([lv, pl]), cam, card)
    both = thin_leaves(rng, both, cam, stems, fr, s.front_frac)
    add_leaves(at, both)


def _surround(
    at: Bench, s: Shot, lit: light.Light, fr: fruit_mod.Fruit
) -> tuple[fruit_mod.Fruit, NDArray[Any]]:
    """The limb's fruit, other limbs out of focus, unseen shade leaves, ground and far trees."""
    every, grids = add_all_fruit(at, fr, s.others, s.fruit_mm, nearest=330)
    p, h = light.canopy(at.rng, lit, at.cam, s.length_mm)
    few = at.rng.random(len(p)) < 0.5
    add_shade(at, p[few], h[few])
    add_background(at, float(min(-at.rng.uniform(700, 1300), -0.6 * s.length_mm)))
    return every, grids


def scaled(sc: Scene, factor: float) -> Scene:
    """The same scene on fewer or more pixels."""
    w, h = round(sc.cam.width * factor), round(sc.cam.height * factor)
    return replace(
        sc, cam=replace(sc.cam, width=w, height=h, focal_px=sc.cam.focal_px * w / sc.cam.width)
    )
