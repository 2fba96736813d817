"""Exact truth: which object every pixel shows, and how much of each fruit that is."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .camera import Camera
from .fruit import Fruit
from .wood import OBJ_FRUIT, OBJ_OTHER, OBJ_TARGET


def object_map(sc: Any, cam: Camera, meshes: list[tuple[Any, NDArray[Any]]]) -> NDArray[Any]:
    """Object number per pixel (H, W): one ray through each pixel centre, -1 for the sky."""
    import mitsuba as mi

    ys, xs = np.mgrid[0 : cam.height, 0 : cam.width]
    d = cam.directions(np.stack([xs.ravel(), ys.ravel()], 1).astype(float)).astype(np.float32)
    n = len(d)
    eye = cam.eye.astype(np.float32)
    ray = mi.Ray3f(
        o=mi.Point3f(*(mi.Float(np.full(n, e, np.float32)) for e in eye)),
        d=mi.Vector3f(*(mi.Float(np.ascontiguousarray(d[:, i])) for i in range(3))),
    )
    pi = sc.ray_intersect_preliminary(ray)
    prim = np.asarray(pi.prim_index).astype(np.int64)
    hit = np.asarray(pi.is_valid())
    out = np.full(n, -1, np.int64)
    for m, obj in meshes:
        sel = hit & np.asarray(pi.shape == mi.ShapePtr(m))
        out[sel] = obj[np.minimum(prim[sel], len(obj) - 1)]
    return out.reshape(cam.height, cam.width)


def hull(p: NDArray[Any]) -> NDArray[Any]:
    """Convex hull of points (N, 2), in turning order (Andrew's monotone chain)."""
    q = p[np.lexsort((p[:, 1], p[:, 0]))]

    def chain(pts: NDArray[Any]) -> list[NDArray[Any]]:
        out: list[NDArray[Any]] = []
        for c in pts:
            while (
                len(out) > 1
                and (out[-1][0] - out[-2][0]) * (c[1] - out[-2][1])
                - (out[-1][1] - out[-2][1]) * (c[0] - out[-2][0])
                <= 0
            ):
                out.pop()
            out.append(c)
        return out

    return np.array(chain(q)[:-1] + chain(q[::-1])[:-1])


def extreme(p: NDArray[Any], directions: int = 64) -> NDArray[Any]:
    """The points of (N, 2) that stick out farthest in some direction: nearly the same hull."""
    a = np.arange(directions) * 2 * np.pi / directions
    return np.asarray(p[np.unique((p @ np.stack([np.cos(a), np.sin(a)])).argmax(0))])


def area_centre(poly: NDArray[Any]) -> tuple[float, float, float]:
    """Area and centroid of a polygon."""
    x, y = poly[:, 0] - poly[0, 0], poly[:, 1] - poly[0, 1]
    x1, y1 = np.roll(x, -1), np.roll(y, -1)
    c = x * y1 - x1 * y
    a = c.sum() / 2
    if abs(a) < 1e-9:
        return 0.0, float(poly[:, 0].mean()), float(poly[:, 1].mean())
    return (
        abs(float(a)),
        float(poly[0, 0] + ((x + x1) * c).sum() / 6 / a),
        float(poly[0, 1] + ((y + y1) * c).sum() / 6 / a),
    )


def fruit_records(
    fr: Fruit, grids: NDArray[Any], cam: Camera, ids: NDArray[Any]
) -> list[dict[str, Any]]:
    """One record a fruit whose centre lies in the frame and in front of the camera."""
    seen = np.bincount(np.clip(ids.ravel() - OBJ_FRUIT, -1, len(fr)) + 1, minlength=len(fr) + 2)[1:]
    out: list[dict[str, Any]] = []
    for i in range(len(fr)):
        px, z = cam.project(grids[i].reshape(-1, 3))
        if z.min() < 20:
            continue
        area, x, y = area_centre(hull(extreme(px)))
        if area < 3 or not (-0.5 <= x < cam.width - 0.5 and -0.5 <= y < cam.height - 0.5):
            continue
        mine = bool(fr.on_limb[i])
        out.append(
            {
                "x": round(x, 2),
                "y": round(y, 2),
                "r_px": round(float(np.sqrt(area / np.pi)), 2),
                "cls": fr.cls[i],
                "visible": round(float(min(1.0, seen[i] / area)), 3),
                "on_limb": mine,
                "diameter_mm": round(float(fr.diameter[i]), 2),
                "along_mm": round(float(fr.along_mm[i]), 1) if mine else None,
                "shoot": int(fr.shoot[i]),
                "id": i,
            }
        )
    return out


def masks(ids: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Wood mask (255 this limb, 128 other wood) and fruit mask (fruit number + 1, up to 255)."""
    wood = np.where(ids == OBJ_TARGET, 255, np.where(ids == OBJ_OTHER, 128, 0)).astype(np.uint8)
    fruit = np.where(ids >= OBJ_FRUIT, np.clip(ids - OBJ_FRUIT + 1, 0, 255), 0).astype(np.uint8)
    return wood, fruit
