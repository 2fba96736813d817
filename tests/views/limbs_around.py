"""A limb in space before pinhole cameras held upright: what each photo shows, and who is who."""

from __future__ import annotations

import numpy as np

from fruitcount.limb.position import place_fruitlets
from fruitcount.lines import line_length_px
from fruitcount.types import Fruitlets, Limb, Measurement, Scale

SIDE_PX, LENS_PX = (2016, 1512), 1700.0


def limb_in_space(seed: int, fruit_n: int = 24, length_mm: float = 650.0):
    """Line (N, 3), fruit centres (M, 3) and diameters (M,) in mm; x right, y away, z up."""
    rng = np.random.default_rng(seed)
    u = np.linspace(-1, 1, 80)
    rise, bend = rng.uniform(-0.5, 0.9), rng.normal(0, 25, 2)
    line = np.stack([u * length_mm / 2, bend[0] * u**2, rise * u * length_mm / 2], 1)
    line[:, 2] += bend[1] * u**2
    at = np.sort(rng.uniform(4, 78, fruit_n)).astype(int)
    around = rng.uniform(0, 2 * np.pi, fruit_n)
    out = rng.uniform(12, 26, fruit_n)[:, None]
    aside = np.stack([0 * around, np.sin(around), np.cos(around)], 1) * out
    return line, line[at] + aside + [0, 0, -4], rng.normal(17, 2.4, fruit_n)


def photo_of(limb, yaw_deg: float, seed: int, *, pitch_deg: float = -4.0, seen_frac: float = 0.85):
    """What a photo from there tells, and the number of each fruit on it (-1: no fruit)."""
    line, fruit, diameter = limb
    rng = np.random.default_rng(seed)
    yaw, pitch = np.deg2rad([yaw_deg, pitch_deg + rng.normal(0, 3)])
    forward = np.array([np.sin(yaw) * np.cos(pitch), np.cos(yaw) * np.cos(pitch), np.sin(pitch)])
    right = np.array([np.cos(yaw), -np.sin(yaw), 0])
    up = np.cross(right, forward)

    def project(points):
        away = points @ forward + 950.0
        x, y = (points @ right, -(points @ up)) / away * LENS_PX
        return x + SIDE_PX[0] / 2, y + SIDE_PX[1] / 2, LENS_PX / away

    kept = np.flatnonzero(rng.random(len(fruit)) < seen_frac)
    x, y, zoom = project(fruit[kept])
    noise = rng.normal(0, 1.2, (2, len(kept))) * zoom
    lx, ly, _ = project(line[2 : 78 - int(rng.integers(0, 3)) : 3])
    px_per_mm = LENS_PX / 950.0 * np.exp(rng.normal(0, 0.015))
    scale = Scale(px_per_mm=px_per_mm, rel_sd_frac=0.02, source="card")
    path = np.stack([lx, ly], 1)
    long = line_length_px(path)
    found = Limb(path, np.full(len(path), 20.0), long, long / px_per_mm)
    r = diameter[kept] / 2 * zoom * np.exp(rng.normal(0, 0.07, len(kept)))
    marks = Fruitlets.from_columns(
        x_px=x + noise[0],
        y_px=y + noise[1],
        r_px=r,
        score=np.full(len(kept), 0.8),
        visible_frac=rng.uniform(0.4, 1, len(kept)),
        diameter_mm=2 * r / px_per_mm,
    )
    name = f"from_{yaw_deg:.0f}.jpg"
    placed = place_fruitlets(marks, found, scale)
    return Measurement(name, name, *SIDE_PX, None, scale, placed, found, source="trained"), kept
