"""The phone: where it stands, how points land on its pixels, and how it develops a picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .mesh import across, unit

LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)  # ITU-R BT.709 luminance of linear RGB


@dataclass(frozen=True)
class Camera:
    """A pinhole for the geometry; `aperture_mm` only blurs.

    Pixel (0, 0) is the centre of the first pixel.
    """

    eye: NDArray[Any]
    forward: NDArray[Any]
    right: NDArray[Any]
    up: NDArray[Any]
    width: int
    height: int
    focal_px: float
    focus_mm: float
    aperture_mm: float

    def project(self, p: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
        """Pixels (..., 2) and depth in mm along the view of points (..., 3)."""
        d = np.asarray(p, float) - self.eye
        z = d @ self.forward
        zz = np.where(np.abs(z) < 1e-6, 1e-6, z)
        x = self.focal_px * (d @ self.right) / zz + self.width / 2 - 0.5
        y = -self.focal_px * (d @ self.up) / zz + self.height / 2 - 0.5
        return np.stack([x, y], -1), z

    def directions(self, px: NDArray[Any]) -> NDArray[Any]:
        """Unit vectors from the eye through pixels (N, 2)."""
        x = (px[:, 0] + 0.5 - self.width / 2) / self.focal_px
        y = -(px[:, 1] + 0.5 - self.height / 2) / self.focal_px
        return unit(self.forward + x[:, None] * self.right + y[:, None] * self.up)


def aim(
    forward: NDArray[Any],
    target: NDArray[Any],
    dist: float,
    *,
    size: tuple[int, int],
    fov_deg: float,
    roll: float,
    aperture: float,
) -> Camera:
    """A camera looking along `forward` at `target` from `dist` mm; `fov_deg` of the long side."""
    f = unit(forward)
    up0 = across(f)
    right0 = np.cross(f, up0)
    up = np.cos(roll) * up0 + np.sin(roll) * right0
    w, h = size
    return Camera(
        target - f * dist,
        f,
        np.cross(f, up),
        up,
        w,
        h,
        max(w, h) / 2 / np.tan(np.deg2rad(fov_deg) / 2),
        dist,
        aperture,
    )


def blur(img: NDArray[Any], sigma: float) -> NDArray[Any]:
    """Gaussian blur of (H, W, C), plain numpy; raising `sigma` (px) blurs more."""
    if sigma < 0.15:
        return img
    r = max(1, int(3 * sigma + 0.5))
    k = np.exp(-0.5 * (np.arange(-r, r + 1) / sigma) ** 2)
    k /= k.sum()
    for ax in (0, 1):
        pad = [(0, 0)] * 3
        pad[ax] = (r, r)
        q = np.pad(img, pad, mode="edge")
        n = img.shape[ax]
        k = k.astype(img.dtype)
        img = np.asarray(
            sum(k[i] * (q[i : i + n] if ax == 0 else q[:, i : i + n]) for i in range(2 * r + 1))
        )
    return img


def smoothed(s: NDArray[Any], strength: float) -> NDArray[Any]:
    """Take the path tracer's grain off by non-local means, as phones do.

    Raising `strength` (grey levels) smooths more.
    """
    try:
        import cv2
    except ImportError:
        return s
    grey = (np.clip(s, 0, 1) * 255 + 0.5).astype(np.uint8)
    out = cv2.fastNlMeansDenoisingColored(grey, None, strength, strength, 5, 13)
    return np.asarray(out.astype(np.float32) / 255)


def _lift_shadows(x: NDArray[Any], rng: np.random.Generator) -> NDArray[Any]:
    """Brighten dark regions and dim bright ones, as phones do over broad areas."""
    h, w = x.shape[:2]
    big = blur((x @ LUMA)[::8, ::8, None], 5.0)
    big = np.kron(big[..., 0], np.ones((8, 8), np.float32))[:h, :w]
    big = np.pad(big, ((0, h - big.shape[0]), (0, w - big.shape[1])), mode="edge")
    big = blur(big[..., None], 4.0)
    gain = (0.25 / (big + 0.03)) ** rng.uniform(0.1, 0.35)
    return np.asarray(x * np.clip(gain, 0.5, 2.2))


def develop(
    rad: NDArray[Any],
    rng: np.random.Generator,
    *,
    metering: float,
    noise: float,
    sharpen: float,
    soften: float,
    clean: float = 0.0,
    vivid: float = 0.0,
) -> NDArray[Any]:
    """Radiance to 8-bit sRGB as a phone would.

    That is exposure, white balance, shadow lift, contrast and noise.
    Raising `metering` brightens, `noise` adds grain (share of full scale), `sharpen` adds halos,
    `clean` smooths grain away, `vivid` adds colour and contrast (0 as told, 0.6 garish).
    """
    rad = np.nan_to_num(np.maximum(rad, 0), posinf=50.0).astype(np.float32)
    lum = rad @ LUMA
    h, w = lum.shape
    mid = lum[h // 6 : -h // 6, w // 6 : -w // 6]
    key = np.exp(np.mean(np.log(mid + 1e-3)))
    x = rad * (metering * 0.17 / max(key, 1e-4)) ** 0.9
    x = x * np.exp(rng.normal(0, 0.04, 3)).astype(np.float32)
    x = _lift_shadows(x, rng)
    x = x * (1 + x / 9) / (1 + x) * 1.45
    lum2 = x.mean(2, keepdims=True)
    x = np.clip(lum2 + (x - lum2) * rng.uniform(0.9, 1.2) * (1 + vivid), 0, 1)
    s = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-6) ** (1 / 2.4) - 0.055)
    s = np.clip(
        s
        + (rng.uniform(0.05, 0.16) + 0.5 * vivid) * (s - 0.5) * (1 - np.abs(2 * s - 1)) * 2
        - rng.uniform(0, 0.03),
        0,
        1,
    )
    if clean > 0:
        s = smoothed(s, clean)
    s = blur(s, soften)
    if sharpen > 0:
        s = s + sharpen * (s - blur(s, 1.2))
    g = rng.normal(size=s.shape).astype(np.float32)
    g = 0.6 * blur(g, 0.7) * 1.8 + 0.4 * g
    s = s + noise * g * (0.5 + 1.2 * (1 - s))
    return np.asarray((np.clip(s, 0, 1) * 255 + 0.5).astype(np.uint8))
