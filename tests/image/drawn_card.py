"""A card drawn through a pinhole camera: 8 x 8 samples a pixel, in linear light, then blur, noise.

A card over 150 px wide gets 4 x 4: its sides are told by more pixels.

Nothing here uses the package's own geometry: the corners are projected by hand.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

SAMPLES = 8


@dataclass(frozen=True)
class View:
    """One view of one card; ``focal_35_mm`` is in terms of the 36 x 24 mm frame."""

    px_per_mm: float = 3.0
    side_mm: float = 50.0
    card_id: int = 25
    tilt_deg: float = 0.0
    axis_deg: float = 0.0
    spin_deg: float = 0.0
    centre_px: tuple[float, float] = (500.0, 380.0)
    size_px: tuple[int, int] = (1000, 750)
    focal_35_mm: float = 27.0
    blur_px: float = 0.7
    noise: float = 3.0
    shade: float = 0.0
    seed: int = 0
    leaf: tuple[float, float, float] | None = field(default=None)


def linear(values: np.ndarray) -> np.ndarray:
    v = values / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def encoded(light: np.ndarray) -> np.ndarray:
    low = np.clip(light, 0, None)
    return 255 * np.where(low <= 0.0031308, low * 12.92, 1.055 * low ** (1 / 2.4) - 0.055)


def ground(view: View, rng: np.random.Generator) -> np.ndarray:
    columns, rows = view.size_px
    grain = cv2.GaussianBlur(rng.normal(0, 60, (rows, columns)), (0, 0), 5)
    grey = np.clip(110 + grain * 6, 20, 220)
    return linear(np.dstack([grey * 0.7, grey, grey * 0.4]).clip(0, 255))


def draw(view: View, under: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """uint8 RGB picture and the true corners, shape (4, 2)."""
    rng = np.random.default_rng(view.seed)
    columns, rows = view.size_px
    focal = view.focal_35_mm / 43.27 * np.hypot(columns, rows)
    axis = np.array([(columns - 1) / 2, (rows - 1) / 2])
    depth = focal / view.px_per_mm
    place = np.append((np.array(view.centre_px) - axis) / focal, 1) * depth
    about = np.radians(view.axis_deg)
    lean, _ = cv2.Rodrigues(np.array([np.cos(about), np.sin(about), 0]) * np.radians(view.tilt_deg))
    spin, _ = cv2.Rodrigues(np.array([0, 0, np.radians(view.spin_deg)]))
    turn = lean @ spin
    unit = np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * view.side_mm / 2

    def seen(points: np.ndarray) -> np.ndarray:
        q = (turn @ points.T).T + place
        return q[:, :2] / q[:, 2:] * focal + axis

    light = linear(under.astype(float)) if under is not None else ground(view, rng)
    outer = seen(unit * 8 / 6)
    x0, y0 = np.clip(np.floor(outer.min(axis=0) - 3).astype(int), 0, None)
    x1, y1 = np.minimum(np.ceil(outer.max(axis=0) + 3).astype(int), view.size_px)
    camera = np.array([[focal, 0, axis[0]], [0, focal, axis[1]], [0, 0, 1]])
    back = np.linalg.inv(camera @ np.column_stack([turn[:, 0], turn[:, 1], place]))
    samples = SAMPLES if view.px_per_mm * view.side_mm < 150 else SAMPLES // 2
    fine = (np.arange(samples) + 0.5) / samples - 0.5
    xs = (np.arange(x0, x1)[:, None] + fine).ravel()
    ys = (np.arange(y0, y1)[:, None] + fine).ravel()
    gx, gy = np.meshgrid(xs, ys)
    u, v, w = (back[k, 0] * gx + back[k, 1] * gy + back[k, 2] for k in range(3))
    cell = view.side_mm / 6
    iu, iv = np.floor(u / w / cell + 4).astype(int), np.floor(v / w / cell + 4).astype(int)
    inside = (iu >= 0) & (iu < 8) & (iv >= 0) & (iv < 8)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    bits = np.pad(
        cv2.aruco.generateImageMarker(dictionary, view.card_id, 6), 1, constant_values=255
    )
    value = np.where(inside, np.where(bits[iv.clip(0, 7), iu.clip(0, 7)] > 0, 0.75, 0.03), 0.0)
    shape = (y1 - y0, samples, x1 - x0, samples)
    value = value.reshape(shape).mean(axis=(1, 3))
    share = inside.reshape(shape).astype(float).mean(axis=(1, 3))
    part = light[y0:y1, x0:x1]
    light[y0:y1, x0:x1] = part * (1 - share[..., None]) + value[..., None]
    if view.leaf is not None:
        x, y, r = view.leaf
        leaf = np.zeros((rows, columns), np.float32)
        cv2.circle(leaf, (round(x), round(y)), round(r), 1.0, -1, cv2.LINE_AA)
        light = light * (1 - leaf[..., None]) + linear(np.array([70.0, 120, 40])) * leaf[..., None]
    light = light * (1 + view.shade * (np.arange(columns) / columns - 0.5))[None, :, None]
    light = cv2.GaussianBlur(light, (0, 0), view.blur_px)
    picture = encoded(light) + rng.normal(0, view.noise, light.shape)
    return picture.clip(0, 255).round().astype(np.uint8), seen(unit)
