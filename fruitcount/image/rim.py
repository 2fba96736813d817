"""The rim of each fruit: where its outline is at each angle, and how plainly it shows.

Every circle is unrolled into a strip (angle x distance from its centre), read from a reduced
copy of the photo on which its radius is about :data:`RIM_RADIUS_PX`. In the strip the outline is
a nearly straight line, found as the best closed path (dynamic programming over the angle).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitcount.image.opencv import cv2, halved, vertex
from fruitcount.types import F32, BoolArray, FloatArray, IntArray, Pixels

# Directions looked along, radians, x towards y.
ANGLES = np.arange(48) * (2 * np.pi / 48)

# Distances from the centre, in expected radii.
STEPS = np.arange(0.1, 1.66, 0.05)

# Radius on the reduced copy: enough for 5 % steps, little enough for fuzz to vanish.
RIM_RADIUS_PX = 14.0

# The rim is looked for from 0.5 radii; colours up to 0.7 radii are the fruit's own.
FIRST_STEP, INNER_STEPS = 8, 13

# Lab distance over which a colour stops being the fruit's own; on renders better than 9 or 14.
COLOUR_SPREAD = 20.0

# Lab step at which a rim is quite plain (0.78). Of 12, 22 and 35 the best on renders.
PLAIN_CONTRAST = 22.0


@dataclass(frozen=True, eq=False)
class Rim:
    """What was found around N circles at T angles.

    Attributes
    ----------
    rho : float array, shape (N, T)
        Distance of the rim from the given centre, in given radii.
    plain : float array, shape (N, T)
        0 to 1, how plainly the fruit ends there: a step of colour with the fruit's own on its
        inner side. 0 outside the photo.
    lab : float32 array, shape (N, T, R, 3)
        The strips.
    own : bool array, shape (N, T, R)
        Pixels inside the given circle that look like the fruit itself.
    """

    rho: FloatArray
    plain: FloatArray
    lab: F32
    own: BoolArray


def unrolled(rgb: Pixels, circles_px: FloatArray) -> tuple[F32, BoolArray]:
    """Strips of every circle in CIE L*a*b*.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)
    circles_px : float array, shape (N, 3)
        x, y, radius.

    Returns
    -------
    lab : float32 array, shape (N, T, R, 3)
    inside : bool array, shape (N, T, R)
        False outside the photo.
    """
    n, shape = len(circles_px), (len(ANGLES), len(STEPS))
    centre, radius = (v.astype(np.float32) for v in np.split(circles_px[:, None, None], [2], 3))
    x, y = (
        centre[..., i] + radius[..., 0] * (way(ANGLES)[:, None] * STEPS).astype(np.float32)
        for i, way in enumerate((np.cos, np.sin))
    )
    out = np.zeros((n, *shape, 3), np.uint8)
    level = np.clip(np.floor(np.log2(np.maximum(circles_px[:, 2], 1) / RIM_RADIUS_PX)), 0, 6)
    picture, factor = rgb, 1.0
    for wanted in range(int(level.max()) + 1 if n else 0):
        if wanted:
            picture, factor = halved(picture), factor / 2
        some = np.flatnonzero(level == wanted)
        for k in range(0, len(some), 4096):  # remap takes fewer than 32768 rows
            part = some[k : k + 4096]
            at_x, at_y = (
                (v[part] * np.float32(factor) + np.float32(0.5 * factor - 0.5)).reshape(
                    len(part), -1
                )
                for v in (x, y)
            )
            read = cv2.remap(picture, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            out[part] = read.reshape(len(read), *shape, 3)
    h, w = rgb.shape[:2]
    inside = (x >= -0.5) & (y >= -0.5) & (x < w - 0.5) & (y < h - 0.5)
    flat = out.reshape(n, len(ANGLES) * len(STEPS), 3).astype(np.float32)
    flat *= np.float32(1 / 255)
    lab = cv2.cvtColor(flat, cv2.COLOR_RGB2LAB) if n else flat
    return np.asarray(lab, np.float32).reshape(n, *shape, 3), inside


def find_rim(rgb: Pixels, circles_px: FloatArray, log_sd: float) -> Rim:
    """Find the rim around each circle.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)
    circles_px : float array, shape (N, 3)
        x, y, radius, roughly right.
    log_sd : float
        How far the radii may be off, as a standard deviation of their logarithm. Larger lets
        the rim be found farther from the circle, also where that is another thing's edge.
    """
    lab, inside = unrolled(rgb, circles_px)
    inner = lab[:, :, :INNER_STEPS].reshape(len(lab), len(ANGLES) * INNER_STEPS, 3)
    middle = np.median(inner, axis=1)
    apart = _squares_from(lab, middle, np.array([0.36, 1.0, 1.0], np.float32))
    like = np.exp(apart * np.float32(-0.5 / COLOUR_SPREAD**2)) * inside
    plain = _step_contrast(lab) * _inner_mean(like) * inside
    drift = np.log(STEPS) / max(log_sd, 0.02)
    path = _best_closed_path(plain - (0.08 * drift**2).astype(np.float32))
    pick = np.take_along_axis(plain, path[..., None], axis=2)[..., 0]
    rho = STEPS[path] + (0.5 + _vertex(plain, path)) * (STEPS[1] - STEPS[0])
    return Rim(rho, np.asarray(pick, np.float64), lab, (like > 0.4) & (STEPS < 0.95))


def _step_contrast(lab: F32) -> FloatArray:
    """0 to 1, midway between each step and the next: two outside against two inside."""
    padded = np.pad(lab, ((0, 0), (0, 0), (1, 2), (0, 0)), mode="edge")
    # outer less inner, with the steps numbered 0 to 3: (2 + 3) - (0 + 1)
    step = padded[:, :, 2:-1] - padded[:, :, 1:-2]
    step += padded[:, :, 3:]
    step -= padded[:, :, :-3]
    step *= step
    size = np.sqrt(_sums(step, np.ones(3, np.float32)))
    # no sharp ceiling: the strongest step of several must stay the strongest
    return np.asarray(1.0 - np.exp(size * np.float32(-0.75 / PLAIN_CONTRAST)), np.float32)


def _squares_from(lab: F32, middle: F32, weight: F32) -> F32:
    """Weighted squared distance of each pixel (N, T, R, 3) from the N middles (N, 3).

    Multiplied out, it needs no copy of the strips for each middle.
    """
    n = len(lab)
    twice = (2 * weight * middle)[:, :, None]
    cross = (lab.reshape(n, len(ANGLES) * len(STEPS), 3) @ twice).reshape(lab.shape[:3])
    fixed = (middle**2 @ weight)[:, None, None]
    return np.asarray(np.maximum(_sums(lab * lab, weight) - cross + fixed, 0), np.float32)


def _sums(colours: F32, weight: F32) -> F32:
    """Weighted sum over the last axis."""
    if not colours.size:
        return np.zeros(colours.shape[:-1], np.float32)
    total = cv2.transform(colours.reshape(-1, 1, 3), weight[None])
    return np.asarray(total, np.float32).reshape(colours.shape[:-1])


def _vertex(plain: FloatArray, path: IntArray) -> FloatArray:
    """Where between the steps the rim is plainest, in steps, by a parabola."""
    last = plain.shape[2] - 1
    before, at, after = (
        np.take_along_axis(plain, np.clip(path + k, 0, last)[..., None], axis=2)[..., 0]
        for k in (-1, 0, 1)
    )
    return vertex(before, at, after)


def _inner_mean(like: F32) -> F32:
    """Mean of a step and the two inside it."""
    padded = np.pad(like, ((0, 0), (0, 0), (2, 0)), mode="edge")
    out = padded[:, :, :-2] + padded[:, :, 1:-1]
    out += padded[:, :, 2:]
    out *= np.float32(1 / 3)
    return np.asarray(out, np.float32)


def _best_closed_path(gain: F32) -> IntArray:
    """Step index at each angle of the path with most gain; neighbours differ by 2 at most."""
    n, angles, steps = gain.shape
    held = np.where(np.arange(steps) < FIRST_STEP, np.float32(-9), gain)
    # Steps by circles: a shift by a step is then a whole row.
    by_angle = np.ascontiguousarray(held.transpose(1, 2, 0), np.float32)
    total = np.full((steps + 4, n), -99.0, np.float32)  # nothing comes from the two rows beyond
    total[2:-2] = by_angle[0]
    came = np.zeros((2 * angles, steps, n), np.int8)
    other, better = np.empty((steps, n), np.float32), np.empty((steps, n), np.bool_)
    for t in range(1, 2 * angles):  # twice round: the middle lap closes on itself
        best = total[2:-2].copy()
        for shift, bend in ((-1, 0.06), (1, 0.06), (-2, 0.24), (2, 0.24)):
            np.subtract(total[2 + shift : 2 + shift + steps], np.float32(bend), out=other)
            np.greater(other, best, out=better)
            np.copyto(came[t], shift, where=better)
            np.maximum(best, other, out=best)
        np.add(best, by_angle[t % angles], out=total[2:-2])
    path = np.zeros((n, 2 * angles), np.int64)
    path[:, -1] = total[2:-2].argmax(axis=0)
    row = np.arange(n)
    for t in range(2 * angles - 1, 0, -1):
        path[:, t - 1] = path[:, t] + came[t, path[:, t], row]
    lap = path[:, angles // 2 : angles // 2 + angles]
    return np.roll(lap, angles // 2, axis=1)
