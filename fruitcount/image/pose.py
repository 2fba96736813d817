"""From a square's four corners to the scale of a facing plane at its centre, and its tilt.

A picture at ``q = (x, y) / focal`` off the optical axis stretches things. Turning the camera in
thought to look straight at the card's centre removes that: then the larger singular value of the
local map (mm to px) is exactly the un-foreshortened scale along the line of sight, and dividing
by the cosine of the turn gives the scale of a plane parallel to the picture at that depth.
"""

from __future__ import annotations

import numpy as np

from fruitcount.image.opencv import cv2
from fruitcount.types import FloatArray

__all__ = ["FOCAL_SHARE", "facing_scale", "local_map", "tilt_of"]

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
    """Picture position of the square's centre, and the 2 x 2 map from mm to px there."""
    source = _plane(side_mm).astype(np.float32)
    h = np.asarray(cv2.getPerspectiveTransform(source, corners_px.astype(np.float32)), np.float64)
    w = h[2, 2]
    centre = h[:2, 2] / w
    # Derivative of (H p)_xy / (H p)_w at p = 0.
    return centre, (h[:2, :2] - np.outer(centre, h[2, :2])) / w


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
    centre, jacobian = local_map(corners_px, side_mm)
    focal, axis = _camera(shape)
    q = (centre - axis) / focal
    secant = float(np.sqrt(1 + q @ q))
    # Turning towards q shrinks radially by secant^2 and tangentially by secant.
    radius = float(np.hypot(*q))
    radial = q / radius if radius > 1e-12 else np.array([1.0, 0.0])
    turn = np.eye(2) / secant + np.outer(radial, radial) * (1 / secant**2 - 1 / secant)
    larger = float(np.linalg.svd(turn @ jacobian, compute_uv=False)[0])
    return larger * secant


def tilt_of(corners_px: FloatArray, side_mm: float, shape: tuple[int, ...]) -> float:
    """Angle in degrees between the square's plane and the picture plane."""
    focal, axis = _camera(shape)
    camera = np.array([[focal, 0, axis[0]], [0, focal, axis[1]], [0, 0, 1]])
    h = side_mm / 2
    plane = np.array([[-h, h, 0], [h, h, 0], [h, -h, 0], [-h, -h, 0]])
    count, turns, _, _ = cv2.solvePnPGeneric(
        plane, corners_px.reshape(4, 1, 2), camera, None, flags=cv2.SOLVEPNP_IPPE_SQUARE
    )
    if not count:
        return float("nan")
    matrix, _ = cv2.Rodrigues(turns[0])  # solutions come best first
    return float(np.degrees(np.arccos(np.clip(abs(matrix[2, 2]), 0, 1))))
