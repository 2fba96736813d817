"""Mitsuba materials, meshes and scenes out of plain arrays."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .camera import Camera
from .light import Light
from .mesh import MeshBuf

PASS_SAMPLES = 1.5e8


def _mi() -> Any:
    import mitsuba as mi

    return mi


def bitmap(pixels: NDArray[Any], nearest: bool = False) -> dict[str, Any]:
    """Texture from linear reflectances (H, W, 3); row 0 is at v = 0."""
    mi = _mi()
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(pixels, np.float32)),
        "raw": True,
        "filter_type": "nearest" if nearest else "bilinear",
        "wrap_mode": "clamp" if nearest else "repeat",
    }


def _leaf(
    reflect: NDArray[Any], through: NDArray[Any], rough: float, spec: float
) -> dict[str, Any]:
    """Half reflecting, half translucent sheet.

    Pictures are doubled because each half has weight one half.
    """
    shine = {
        "type": "twosided",
        "bsdf": {
            "type": "principled",
            "base_color": bitmap(np.clip(2 * reflect, 0, 0.95)),
            "roughness": rough,
            "specular": spec,
        },
    }
    glow = {
        "type": "principledthin",
        "base_color": bitmap(np.clip(2 * through, 0, 0.95)),
        "roughness": 0.8,
        "diff_trans": 2.0,
        "eta": 1.3,
    }
    return {"type": "blendbsdf", "weight": 0.5, "a": shine, "b": glow}


def materials(pictures: dict[str, Any], leaf_rough: float, leaf_spec: float) -> dict[str, Any]:
    """One material a part. `pictures` holds 'leaf' (three pictures), 'bark' and 'card'."""
    mi = _mi()
    top, under, through = pictures["leaf"]
    col = {"type": "mesh_attribute", "name": "vertex_color"}
    made = {
        "fruit": {
            "type": "twosided",
            "bsdf": {
                "type": "principled",
                "base_color": col,
                "roughness": {"type": "mesh_attribute", "name": "vertex_rough"},
                "sheen": {"type": "mesh_attribute", "name": "vertex_sheen"},
                "sheen_tint": 0.3,
                "flatness": 0.4,
                "specular": 0.4,
            },
        },
        "leaf_top": _leaf(top, through, leaf_rough, leaf_spec),
        "leaf_under": _leaf(under, through, 0.75, 0.3),
        "wood": {
            "type": "twosided",
            "bsdf": {
                "type": "principled",
                "base_color": bitmap(pictures["bark"]),
                "roughness": 0.6,
                "specular": 0.35,
            },
        },
        "foliage": {
            "type": "principledthin",
            "base_color": dict(col),
            "roughness": 0.7,
            "diff_trans": 0.9,
        },
        "matte": {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": dict(col)}},
        "card": {
            "type": "twosided",
            "bsdf": {
                "type": "principled",
                "base_color": bitmap(pictures["card"], nearest=True),
                "roughness": 0.7,
                "specular": 0.2,
            },
        },
    }
    return {k: mi.load_dict(v) for k, v in made.items()}


def mesh(name: str, buf: MeshBuf, bsdf: Any) -> tuple[Any, NDArray[Any]]:
    """A Mitsuba mesh and the object number of each of its faces."""
    mi = _mi()
    v, n, uv, col, f, obj = buf.arrays()
    props = mi.Properties()
    props["bsdf"] = bsdf
    m = mi.Mesh(
        name, len(v), len(f), has_vertex_normals=True, has_vertex_texcoords=True, props=props
    )
    m.add_attribute("vertex_color", 3, np.ascontiguousarray(col[:, :3]).ravel())
    m.add_attribute("vertex_rough", 1, np.ascontiguousarray(col[:, 3]).ravel())
    m.add_attribute("vertex_sheen", 1, np.ascontiguousarray(col[:, 4]).ravel())
    p = mi.traverse(m)
    p["faces"] = np.ascontiguousarray(f, np.uint32).ravel()
    p["vertex_positions"] = np.ascontiguousarray(v).ravel()
    p["vertex_texcoords"] = np.ascontiguousarray(uv).ravel()
    p["vertex_normals"] = np.ascontiguousarray(n).ravel()
    p.update()
    return m, obj


def sensor(cam: Camera, spp: int, seed: int) -> dict[str, Any]:
    """Thin-lens sensor that agrees with `Camera.project`."""
    mi = _mi()
    fov = 2 * np.rad2deg(np.arctan(cam.width / 2 / cam.focal_px))
    return {
        "type": "thinlens",
        "fov": float(fov),
        "fov_axis": "x",
        "aperture_radius": float(max(cam.aperture_mm / 2, 1e-3)),
        "focus_distance": float(cam.focus_mm),
        "near_clip": 5.0,
        "far_clip": 1e5,
        "to_world": mi.ScalarTransform4f().look_at(
            origin=[float(x) for x in cam.eye],
            target=[float(x) for x in cam.eye + cam.forward],
            up=[float(x) for x in cam.up],
        ),
        "film": {
            "type": "hdrfilm",
            "width": cam.width,
            "height": cam.height,
            "pixel_format": "rgb",
            "rfilter": {"type": "box"},
        },
        "sampler": {"type": "independent", "sample_count": spp, "seed": seed},
    }


def scene(
    meshes: dict[str, Any], cam: Camera, light: Light, *, spp: int, seed: int, depth: int
) -> Any:
    """Everything together, ready to render."""
    mi = _mi()
    d: dict[str, Any] = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": depth, "rr_depth": 4},
    }
    d["sensor"] = sensor(cam, spp, seed)
    d["sky"] = {
        "type": "envmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(light.sky, np.float32)),
        "to_world": mi.ScalarTransform4f().rotate([1, 0, 0], 90),
    }
    d["sun"] = {
        "type": "directional",
        "direction": [float(x) for x in -light.to_sun],
        "irradiance": {"type": "rgb", "value": [float(x) + 1e-4 for x in light.sun]},
    }
    d.update(meshes)
    world = mi.load_dict(d)
    _hide_constants(world)
    return world


def _hide_constants(world: Any) -> None:
    """Pass the lens to the compiled kernel as data: constants would cost a new compile a scene."""
    import drjit as dr

    mi = _mi()
    p = mi.traverse(world)
    for key in ("aperture_radius", "focus_distance", "x_fov"):
        name = f"sensor.{key}"
        if name in p:
            p[name] = dr.opaque(mi.Float, float(np.ravel(np.array(p[name]))[0]))
    p.update()


def render(sc: Any, cam: Camera, seed: int, spp: int, *, denoise: bool) -> NDArray[Any]:
    """Radiance (H, W, 3), denoised where the graphics card offers it."""
    mi = _mi()
    # Many samples go in equal passes: one pass keeps some 50 bytes a sample on the card.
    passes = max(1, round(np.ceil(cam.width * cam.height * spp / PASS_SAMPLES)))
    each = max(1, round(spp / passes))
    img = mi.render(sc, spp=each, seed=seed)
    if passes > 1:
        total = np.array(img)
        for k in range(1, passes):
            total += np.array(mi.render(sc, spp=each, seed=(seed + 7919 * k) % 2**31))
        img = mi.TensorXf(total / passes)
    if denoise:
        try:
            img = mi.OptixDenoiser(input_size=[cam.width, cam.height])(img)
        except Exception as err:  # no such device: the noisy picture will do
            if "optix" not in str(err).lower() and "cuda" not in str(err).lower():
                raise
    return mend(np.array(img)[..., :3])


def mend(img: NDArray[Any]) -> NDArray[Any]:
    """Replace pixels that came out infinite or not a number by the one beside them."""
    bad = ~np.isfinite(img).all(-1)
    for shift in (1, -1, 2, -2):
        if not bad.any():
            break
        img = np.where(bad[..., None], np.roll(img, shift, 1), img)
        bad = ~np.isfinite(img).all(-1)
    return np.where(bad[..., None], 0.2, img)
