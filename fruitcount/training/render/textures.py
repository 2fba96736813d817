"""Pictures painted on leaves, bark and cards, made from noise; linear reflectance, float32."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .leaves import MATURE, MIDDLE, RED_TIP, SICK, VARIANTS, YOUNG
from .noise import fractal, picture

Pictures = tuple[NDArray[Any], NDArray[Any], NDArray[Any]]


def _veins(s: NDArray[Any], x: NDArray[Any], count: float, slope: float) -> NDArray[Any]:
    """Darkness of side veins, 0 to 1, at length share `s` and width share `x` (-1 to 1)."""
    phase = (s - slope * np.abs(x) ** 1.25) * count + np.where(x < 0, 0.5, 0.0)
    d = np.abs(phase - np.round(phase)) / count
    return np.asarray(np.exp(-((d / 0.0035) ** 2)) * np.clip(1.1 - np.abs(x), 0.1, 1))


def _tone(i: int, rng: np.random.Generator) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Upper reflectance, underside reflectance and transmittance of leaf variant `i`."""
    if MATURE[0] <= i < MATURE[1]:
        t, u, tr = (0.034, 0.062, 0.022), (0.105, 0.145, 0.07), (0.06, 0.1, 0.012)
    elif MIDDLE[0] <= i < MIDDLE[1]:
        t, u, tr = (0.05, 0.085, 0.023), (0.125, 0.165, 0.07), (0.1, 0.15, 0.014)
    elif YOUNG[0] <= i < YOUNG[1]:
        t, u, tr = (0.1, 0.145, 0.035), (0.155, 0.195, 0.075), (0.17, 0.22, 0.02)
    elif i == RED_TIP[0]:
        t, u, tr = (0.13, 0.085, 0.03), (0.17, 0.12, 0.06), (0.26, 0.15, 0.02)
    else:
        t, u, tr = (0.25, 0.19, 0.04), (0.28, 0.22, 0.08), (0.45, 0.35, 0.03)
    j = np.clip(1 + rng.normal(size=3) * [0.18, 0.1, 0.2], 0.5, 1.6) * rng.uniform(0.8, 1.25)
    return np.array(t) * j, np.array(u) * j, np.array(tr) * np.clip(j, 0.7, 1.2)


@lru_cache(maxsize=4)
def leaf_pictures(seed: int, height: int = 512) -> Pictures:
    """Upper face, underside and transmitted light of all leaf variants side by side."""
    rng = np.random.default_rng(seed)
    w = max(64, height // 5)
    s, x = np.mgrid[0:height, 0:w]
    s = s / height
    x = (x + 0.5) / w * 2 - 1
    x = x / 0.92
    out = [np.zeros((height, w * VARIANTS, 3), np.float32) for _ in range(3)]
    for i in range(VARIANTS):
        top, und, tra = _tone(i, rng)
        vein = _veins(
            s,
            x + 0.03 * (picture(rng, s.shape, (6, 3)) - 0.5),
            rng.uniform(11, 17),
            rng.uniform(0.07, 0.14),
        )
        fine = fractal(rng, s.shape, (60, 20), 3)
        blot = fractal(rng, s.shape, (6, 3), 3)
        rib = np.exp(-((x / (0.055 * (1.15 - s))) ** 2))
        base = (0.8 + 0.25 * fine + 0.3 * (blot - 0.5))[..., None]
        a = base * top
        a = a * (1 + 0.9 * (0.35 * vein)[..., None]) * (1 - 0.1 * np.abs(x)[..., None] ** 3)
        a = a * (1 - rib[..., None] * 0.85) + rib[..., None] * np.array([0.2, 0.27, 0.08]) * 0.85
        b = base * und * (1 + 0.3 * vein[..., None])
        b = b * (1 - rib[..., None]) + rib[..., None] * np.array([0.28, 0.34, 0.15])
        c = base * tra * (1 - 0.45 * vein[..., None]) * (1 - 0.75 * rib[..., None])
        if i == SICK[0] or rng.random() < 0.2:
            spot = np.clip((fractal(rng, s.shape, (18, 6), 2) - 0.72) * 12, 0, 1)[..., None]
            a, b, c = (p * (1 - spot) + np.array([0.12, 0.06, 0.025]) * spot for p in (a, b, c))
        petiole = np.clip((0.075 - s) / 0.02, 0, 1)[..., None]
        stem = np.array([0.2, 0.25, 0.06]) if rng.random() < 0.7 else np.array([0.25, 0.12, 0.06])
        for o, p in zip(out, (a, b, c), strict=True):
            o[:, i * w : (i + 1) * w] = np.clip(p * (1 - petiole) + stem * petiole, 0.002, 0.9)
    return out[0], out[1], out[2]


@lru_cache(maxsize=16)
def bark_picture(seed: int, limb: tuple[float, float, float], size: int = 512) -> NDArray[Any]:
    """Four strips that repeat along the stem: this limb's bark, old bark, green shoot, dry bits."""
    rng = np.random.default_rng(seed)
    w = size // 2
    out = np.zeros((size, 4 * w, 3), np.float32)
    tones = [
        np.array(limb),
        np.array([0.15, 0.12, 0.095]),
        np.array([0.2, 0.26, 0.07]),
        np.array([0.13, 0.075, 0.04]),
    ]
    for i, tone in enumerate(tones):
        n = fractal(rng, (size, w), (10, 10), 4)
        stripe = (
            fractal(rng, (size, w), (70, 5), 2) if i < 2 else fractal(rng, (size, w), (5, 40), 2)
        )
        p = tone * (0.5 + 0.75 * n + 0.25 * stripe)[..., None]
        if i < 2:
            len_ = np.clip((fractal(rng, (size, w), (46, 14), 1) - 0.8) * 9, 0, 1)[..., None]
            p = p * (1 - len_) + np.array([0.3, 0.24, 0.17]) * len_
            patch = np.clip((fractal(rng, (size, w), (5, 4), 3) - 0.56) * 6, 0, 0.75)[..., None]
            p = (
                p * (1 - patch)
                + np.array([0.22, 0.19, 0.15]) * (0.6 + 0.6 * stripe[..., None]) * patch
            )
            crack = np.clip((0.33 - stripe) * 6, 0, 0.6)[..., None]
            p = p * (1 - crack * 0.7)
        if i == 2:
            red = np.clip((fractal(rng, (size, w), (3, 3), 2) - 0.5) * 3, 0, 0.7)[..., None]
            p = p * (1 - red) + np.array([0.22, 0.1, 0.05]) * red
        out[:, i * w : (i + 1) * w] = np.clip(p, 0.005, 0.8)
    return out


def sky_picture(rng: np.random.Generator, light: str, sun: NDArray[Any]) -> NDArray[Any]:
    """Sky and far surroundings, (128, 256, 3) radiance over longitude and latitude, top row up.

    `light` is 'sun', 'shade', 'backlight' or 'mixed'; `sun` is the unit vector to the sun, z up.
    """
    h, w = 256, 512
    el = (0.5 - (np.arange(h) + 0.5) / h) * np.pi
    e = np.clip(np.sin(el), 0, 1)[:, None]
    blue = np.array([0.2, 0.42, 0.95]) * rng.uniform(0.8, 1.2)
    hor = np.array([0.75, 0.85, 1.0])
    sky = hor * (1 - e[..., None]) ** 3 + blue * (1 - (1 - e[..., None]) ** 3) * rng.uniform(
        0.6, 1.0
    )
    sky = np.repeat(sky, w, 1)
    c = fractal(rng, (h, w), (6, 8), 5)
    cover = {"shade": rng.uniform(0.0, 0.45), "mixed": rng.uniform(0.3, 0.6)}.get(
        light, rng.uniform(0.42, 0.8)
    )
    cloud = np.clip((c - cover) * 5, 0, 1)[..., None]
    grey = (0.75 + 0.6 * fractal(rng, (h, w), (8, 10), 4))[..., None] * np.array([1.0, 1.0, 1.03])
    sky = sky * (1 - cloud) + grey * cloud * (1.0 if light != "shade" else rng.uniform(0.8, 1.3))
    lon = np.arange(w) / w * 2 * np.pi
    d = np.stack(
        [
            np.cos(el)[:, None] * np.sin(lon),
            np.cos(el)[:, None] * np.cos(lon),
            np.repeat(np.sin(el)[:, None], w, 1),
        ],
        -1,
    )
    glow = np.clip(d @ sun, 0, 1)
    sky = sky + (
        (0.7 * glow**8 + 2.0 * glow**60)[..., None] * np.array([1, 0.95, 0.85])
        if light != "shade"
        else 0
    )
    return _with_ground(sky, el, rng)


def _with_ground(sky: NDArray[Any], el: NDArray[Any], rng: np.random.Generator) -> NDArray[Any]:
    """The sky (H, W, 3) with a line of trees and ground below it; `el` (H,) is the elevation."""
    h, w = sky.shape[:2]
    ground = (
        np.array([0.16, 0.19, 0.08])
        * rng.uniform(0.5, 1.5)
        * (0.5 + fractal(rng, (h, w), (16, 16), 3))[..., None]
    )
    line = 0.05 + 0.28 * rng.random() * (fractal(rng, (2, w), (1, 20), 5)[0] - 0.25)
    trees = np.clip((line[None] - el[:, None]) / 0.01, 0, 1)[..., None]
    crown = (
        np.array([0.05, 0.08, 0.025])
        * rng.uniform(0.5, 2.0)
        * (0.3 + 1.4 * fractal(rng, (h, w), (40, 60), 3))[..., None]
    )
    sky = sky * (1 - trees) + crown * trees
    m = np.clip(el[:, None] / 0.03 + 0.5 + 2 * (fractal(rng, (h, w), (8, 24), 4) - 0.6), 0, 1)[
        ..., None
    ]
    return np.asarray((sky * m + ground * (1 - m)).astype(np.float32))
