"""Sun and sky: four kinds of light a grower meets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .camera import Camera
from .mesh import across, unit
from .textures import sky_picture

LIGHTS = ("sun", "shade", "backlight", "mixed")


@dataclass(frozen=True)
class Light:
    """What lights the scene.

    `name` is one of LIGHTS; `to_sun` points at the sun; `sun` is its irradiance (RGB); `sky` a
    picture.
    """

    name: str
    to_sun: NDArray[Any]
    sun: NDArray[Any]
    sky: NDArray[Any]


def choose(rng: np.random.Generator, cam: Camera, name: str | None = None) -> Light:
    """Draw a light for this camera.

    It is behind the limb for 'backlight' and mostly behind the camera for the others.
    """
    name = name or str(rng.choice(LIGHTS, p=[0.4, 0.2, 0.2, 0.2]))
    back = -cam.forward * [1, 1, 0]
    back = unit(back if np.linalg.norm(back) > 0.05 else cam.up * [1, 1, 0])
    side = np.cross(back, [0, 0, 1.0])
    el = np.deg2rad(rng.uniform(22, 72))
    az = rng.normal(0, 0.9) if name != "backlight" else np.pi + rng.normal(0, 0.6)
    d = np.cos(el) * (np.cos(az) * back + np.sin(az) * side) + np.array([0, 0, np.sin(el)])
    power = {
        "sun": rng.uniform(5, 9),
        "backlight": rng.uniform(4, 9),
        "mixed": rng.uniform(1.5, 4),
        "shade": 0.0,
    }[name]
    warm = np.array([1.0, 0.94, 0.84]) if el > 0.7 else np.array([1.0, 0.88, 0.7])
    return Light(name, d, power * warm, sky_picture(rng, name, d))


def canopy(
    rng: np.random.Generator, light: Light, cam: Camera, span: float
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Starts and headings of unseen leaves between sun and limb, which throw leaf shadows."""
    n = int(rng.integers(0, 140))
    b = across(light.to_sun)
    c = np.cross(light.to_sun, b)
    uv = rng.normal(size=(n, 2)) * span * 0.6
    far = rng.uniform(250, 1100, n)
    p = light.to_sun * far[:, None] + uv[:, :1] * b + uv[:, 1:] * c
    px, z = cam.project(p)
    inside = (
        (px > -120).all(-1) & (px[:, 0] < cam.width + 120) & (px[:, 1] < cam.height + 120) & (z > 0)
    )
    near = np.linalg.norm(p - cam.eye, axis=1) < 200
    keep = ~inside & ~near
    down = np.array([0, 0, -0.4])
    return p[keep], unit(rng.normal(size=(n, 3)) + down)[keep]
