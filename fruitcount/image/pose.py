"""From a square's four corners to the scale of a facing plane at its centre, and its tilt.

A picture at ``q = (x, y) / focal`` off the optical axis stretches things. Turning the camera in
thought to look straight at the card's centre removes that: then the larger singular value of the
local map (mm to px) is exactly the un-foreshortened scale along the line of sight, and dividing
by the cosine of the turn gives the scale of a plane parallel to the picture at that depth.
"""

from __future__ import annotations

import numpy as np

from fruitcount.fruitlets import FloatArray
from fruitcount.image.opencv import cv2

# Main cameras of phones have focal lengths of about 24 to 28 mm in 35 mm terms; 27 mm over the
# 43.27 mm diagonal of that frame. A general figure, from memory; a card near the middle of the
# picture hardly depends on it.
FOCAL_SHARE = 27.0 / 43.27


def _camera(shape: tuple[int, ...]) -> tuple[float, FloatArray]:
    rows, columns = shape[:2]
    centre = np.array([(columns - 1) / 2, (rows - 1) / 2])
    return FOCAL_SHARE * float(np.hypot(rows, columns)), centre


def _plane(side_mm: float) -> FloatArray:
    h = side_mm / 2
    return np.array([[-h, -h], [h, -h], [h, h], [-h, h]])


def local_map(corners_px: FloatArray, side_mm: float) -> tuple[FloatArray, FloatArray]:
    """Picture position of the square's centre, and the 2 x 2 map from mm to px there.

    ``corners_px`` has shape (4, 2), the centre shape (2,).
    """
    h = _perspective(corners_px, side_mm)
    w = h[2, 2]
    centre = h[:2, 2] / w
    # Derivative of (H p)_xy / (H p)_w at p = 0.
    return centre, (h[:2, :2] - np.outer(centre, h[2, :2])) / w


def _perspective(corners_px: FloatArray, side_mm: float) -> FloatArray:
    """The 3 x 3 map from mm on the square to px."""
    corners = np.asarray(corners_px, np.float32)
    return np.asarray(cv2.getPerspectiveTransform(_plane(side_mm).astype(np.float32), corners))


def facing_scale(corners_px: FloatArray, side_mm: float, shape: tuple[int, ...]) -> float:
    """Px/mm of a plane parallel to the picture at the depth of the square's centre.

    Parameters
    ----------
    corners_px : array, shape (4, 2)
        Any consistent order.
    side_mm : float, mm
    shape : tuple
        Rows and columns of the picture.
    """
    turned, secant, _ = _looked_at(corners_px, side_mm, shape)
    return float(np.linalg.svd(turned, compute_uv=False)[0]) * secant


def _looked_at(
    corners_px: FloatArray, side_mm: float, shape: tuple[int, ...]
) -> tuple[FloatArray, float, FloatArray]:
    """The local map as a camera turned to the centre sees it, the turn's secant, and q."""
    centre, jacobian = local_map(corners_px, side_mm)
    focal, axis = _camera(shape)
    q = (centre - axis) / focal
    secant = float(np.sqrt(1 + q @ q))
    # Turning towards q shrinks radially by secant^2 and tangentially by secant.
    radius = float(np.hypot(*q))
    radial = q / radius if radius > 1e-12 else np.array([1.0, 0.0])
    turn = np.eye(2) / secant + np.outer(radial, radial) * (1 / secant**2 - 1 / secant)
    return turn @ jacobian, secant, q


def tilt_of(corners_px: FloatArray, side_mm: float, shape: tuple[int, ...]) -> float:
    """Angle in degrees between the square's plane and the picture plane.

    ``corners_px`` has shape (4, 2); ``shape`` is that of the photo's array.

    The foreshortening at the centre leaves two mirrored planes; the perspective of the four
    corners tells which of them it is.
    """
    turned, _, q = _looked_at(corners_px, side_mm, shape)
    directions, sizes, _ = np.linalg.svd(turned)
    cosine = float(np.clip(sizes[1] / sizes[0], 0, 1))
    sine = float(np.sqrt(1 - cosine**2))
    short = directions[:, 1]
    back = _turn_towards(q)
    told = _normal(corners_px, side_mm, shape)
    normals = [back @ np.array([*(sign * sine * short), cosine]) for sign in (1, -1)]
    best = max(normals, key=lambda n: abs(float(n @ told)))
    return float(np.degrees(np.arccos(np.clip(abs(best[2]), 0, 1))))


def _turn_towards(q: FloatArray) -> FloatArray:
    """Rotation that takes the optical axis to the ray (q, 1)."""
    ray = np.array([q[0], q[1], 1.0]) / np.sqrt(1 + q @ q)
    across = np.cross([0.0, 0.0, 1.0], ray)
    size = float(np.linalg.norm(across))
    if size < 1e-12:
        return np.eye(3)
    vector = across / size * np.arctan2(size, ray[2])
    return np.asarray(cv2.Rodrigues(vector)[0], np.float64)


def _normal(corners_px: FloatArray, side_mm: float, shape: tuple[int, ...]) -> FloatArray:
    """Rough normal of the square's plane from the whole perspective map."""
    focal, axis = _camera(shape)
    h = _perspective(corners_px, side_mm)
    h[:2] = (h[:2] - np.outer(axis, h[2])) / focal
    normal = np.cross(h[:, 0], h[:, 1])
    return np.asarray(normal / max(float(np.linalg.norm(normal)), 1e-12), np.float64)
