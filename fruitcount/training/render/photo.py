"""From a built scene to picture files and their truth records."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from . import card as card_mod
from . import light as light_mod
from . import materials, textures, truth
from .camera import develop
from .parts import PARTS, Options, Scene
from .scene import build


@dataclass(frozen=True)
class Quality:
    """`spp` rays a pixel (more: less grain, slower); `depth` bounces; `jpeg` quality range."""

    spp: int = 48
    depth: int = 7
    denoise: bool = True
    jpeg: tuple[int, int] = (84, 95)


def make_meshes(sc: Scene, detail: float) -> dict[str, tuple[Any, Any]]:
    """Mitsuba meshes with their face object numbers."""
    leaf = textures.leaf_pictures(sc.seed % 12, 512 if detail <= 1.2 else 1024)
    blank = np.full((32, 32, 3), 0.8, np.float32)
    pics = {
        "leaf": leaf,
        "bark": textures.bark_picture(sc.seed % 4, sc.bark, 512 if detail <= 1.2 else 1024),
        "card": card_mod.picture(sc.card.marker_id, sc.card.quiet)[0] if sc.card else blank,
    }
    mats = materials.materials(pics, sc.look["leaf_rough"], sc.look["leaf_spec"])
    return {p: materials.mesh(p, sc.bufs[p], mats[p]) for p in PARTS}


def _card_record(sc: Scene) -> dict[str, Any] | None:
    """The card's number, printed side, corners in the picture and lean; None without a card."""
    if sc.card is None:
        return None
    c, _ = sc.cam.project(sc.card.corners)
    return {
        "dictionary": "DICT_4X4_50",
        "id": sc.card.marker_id,
        "side_mm": sc.card.side_mm,
        "corners_px": np.round(c, 3).tolist(),
        "tilt_deg": round(sc.card.tilt_deg, 1),
    }


def record(sc: Scene, name: str, ids: Any) -> dict[str, Any]:
    """The truth of one picture."""
    cam, main = sc.cam, sc.stems[0]
    line, depth = cam.project(main.points)
    inside = ((line >= -0.5) & (line < np.array([cam.width, cam.height]) - 0.5)).all(1)
    _, z = cam.project(main.points[inside] if inside.any() else main.points)
    return {
        "image": name,
        "width": cam.width,
        "height": cam.height,
        "seed": sc.seed,
        "kind": sc.kind.name,
        "light": sc.light.name,
        "card": _card_record(sc),
        "px_per_mm": round(float(cam.focal_px / np.mean(z)), 4),
        "limb": {
            "polyline_px": np.round(line, 1).tolist(),
            "half_px": np.round(cam.focal_px * main.radius / np.maximum(depth, 1), 2).tolist(),
            "polyline_mm": np.round(main.points, 1).tolist(),
            "length_mm": round(float(main.arc[-1]), 1),
            "base_diameter_mm": round(2 * float(main.radius[0]), 2),
            "tip_diameter_mm": round(2 * float(main.radius[-1]), 2),
            "kept_in_frame_frac": round(float(inside.mean()), 3),
        },
        "fruit": truth.fruit_records(sc.fruit, sc.grids, cam, ids),
    }


def take(
    sc: Scene, meshes: dict[str, tuple[Any, Any]], out: Path, name: str, q: Quality
) -> dict[str, Any]:
    """Render, develop and write one picture with its masks; returns its truth record."""
    import mitsuba as mi

    rng = np.random.default_rng([sc.seed, 77])
    rad, ids = shoot(sc, meshes, q)
    big = max(sc.cam.width, sc.cam.height) / 960
    # the arguments draw from `rng` in this order
    pic = develop(
        rad,
        rng,
        metering=float(np.exp(rng.normal(0.1, 0.25))),
        noise=float(rng.gamma(2, 0.004)) / max(1.0, big**0.5),
        sharpen=float(rng.uniform(0, 0.7)),
        soften=float(rng.choice([0.0, 0.4, 0.7, 1.1], p=[0.35, 0.35, 0.2, 0.1])) * min(big, 2.0),
        clean=0.0 if q.denoise else float(rng.uniform(3.0, 9.0)) * (48 / q.spp) ** 0.5,
        vivid=sc.look.get("vivid", 0.0),
    )
    mi.Bitmap(pic).write(str(out / f"{name}.jpg"), quality=int(rng.integers(*q.jpeg)))
    write_masks(ids, out, name)
    return record(sc, f"{name}.jpg", ids)


def write_masks(ids: Any, out: Path, name: str) -> None:
    """Wood and fruit masks of one picture as ``NAME_wood.png`` and ``NAME_fruit.png``."""
    import mitsuba as mi

    wood_mask, fruit_mask = truth.masks(ids)
    mi.Bitmap(wood_mask).write(str(out / f"{name}_wood.png"))
    mi.Bitmap(fruit_mask).write(str(out / f"{name}_fruit.png"))


def shoot(sc: Scene, meshes: dict[str, tuple[Any, Any]], q: Quality) -> tuple[Any, Any]:
    """Radiance (H, W, 3) and object numbers (H, W) of one picture."""
    world = materials.scene(
        {k: m for k, (m, _) in meshes.items()},
        sc.cam,
        sc.light,
        spp=q.spp,
        seed=sc.seed % 2**31,
        depth=q.depth,
    )
    rad = materials.render(world, sc.cam, sc.seed % 2**31, q.spp, denoise=q.denoise)
    return rad, truth.object_map(world, sc.cam, list(meshes.values()))


def views(
    seed: int, opt: Options, q: Quality, out: Path, prefix: str, count: int
) -> list[dict[str, Any]]:
    """Build one scene and photograph it `count` times, moving the camera and the light a little."""
    sc = build(seed, opt)
    meshes = make_meshes(sc, opt.detail)
    done = []
    first = sc
    for v in range(count):
        if v:
            sc = moved(first, v)
        done.append(take(sc, meshes, out, f"{prefix}_{v}", q))
    return done


def moved(sc: Scene, v: int) -> Scene:
    """The same orchard seen from a step aside and under another light."""
    rng = np.random.default_rng([sc.seed, v])
    cam = sc.cam
    target = cam.eye + cam.forward * cam.focus_mm
    fwd = cam.forward + cam.right * rng.normal(0, 0.16) + cam.up * rng.normal(0, 0.12)
    fwd = fwd / np.linalg.norm(fwd)
    dist = cam.focus_mm * rng.uniform(0.85, 1.25)
    up = cam.up - (cam.up @ fwd) * fwd
    up = up / np.linalg.norm(up)
    new = replace(
        cam, eye=target - fwd * dist, forward=fwd, up=up, right=np.cross(fwd, up), focus_mm=dist
    )
    card = sc.card
    if card is not None:
        n = np.cross(card.right, card.up)
        to_eye = (new.eye - card.centre) / np.linalg.norm(new.eye - card.centre)
        card = replace(card, tilt_deg=float(np.rad2deg(np.arccos(np.clip(n @ to_eye, -1, 1)))))
    return replace(sc, cam=new, card=card, light=light_mod.choose(rng, new), seed=sc.seed + v)
