"""Size of each fruit from the part of its rim that shows, and how round and hidden it is.

Every circle is unrolled into a strip (angle x distance from its centre), read from a reduced
copy of the photo on which its radius is about :data:`RIM_RADIUS_PX`. In the strip the outline is
a nearly straight line, found as the best closed path (dynamic programming over the angle).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitcount.image.opencv import cv2, halved, vertex
from fruitcount.types import F32, BoolArray, FloatArray, IntArray, Pixels, Scale

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


# How far each source's radii are off, as sd of ln(radius). Trained: measured on 94 fruit of
# held-back renders; classical: our choice.
RADIUS_LOG_SD: dict[str, float] = {"trained": 0.08, "classical": 0.2}

# How far centres are off, in radii.
CENTRE_SD = 0.12

# Scatter of the found rim about the fruit's circle, in radii: young fruit are not spheres.
RIM_SD = 0.07

# Share of the rim points that count as independent: the path ties neighbours together.
INDEPENDENT = 0.2

# Real scatter over what the fit alone tells: a rim may be another thing's (98 rendered fruit).
SD_FACTOR = 1.9

# Rim at least so plain is seen.
PLAIN = 0.22

# Size error from fruit hanging nearer or farther than the card: 3 cm at 0.6 m (geometry).
DEPTH_SD = 0.05

# How much narrower than its circle a young stone fruit shows, in radii, as a prior sd: they are up
# to half as long again as wide, seen from any side. Larger follows the rim more: on 538 fruit of 40
# drawn limbs the bias of the diameter is +3.6 % at 0.08 and +2.2 % at 0.2, on 625 of 40 others
# +2.7 % and +1.7 %.
SLIM_SD = 0.2

# Share of the rim that must show before roundness is told.
ROUND_NEEDS = 0.5


@dataclass(frozen=True, eq=False)
class Sizes:
    """Refined circles of N fruit.

    Attributes
    ----------
    x_px, y_px, r_px : float arrays
    r_log_sd : float array
        Standard deviation of ln(radius).
    slim_frac : float array
        Share of the radius by which the fruit's narrow half-width lies under it; 0 if the rim
        tells nothing.
    visible_frac, roundness_frac : float arrays
        NaN where not told.
    rim : Rim
        Found around the circles as they were given.
    """

    x_px: FloatArray
    y_px: FloatArray
    r_px: FloatArray
    r_log_sd: FloatArray
    slim_frac: FloatArray
    visible_frac: FloatArray
    roundness_frac: FloatArray
    rim: Rim


def measure_sizes(rgb: Pixels, circles_px: FloatArray, log_sd: float) -> Sizes:
    """Refine circles by the part of the rim that shows.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)
    circles_px : float array, shape (N, 3)
        x, y, radius as the maps tell them.
    log_sd : float
        How much those radii are trusted; see :data:`RADIUS_LOG_SD`. Larger follows the rim more.

    Returns
    -------
    Sizes
        The most probable circle given both: where no rim shows, the circle stays as it was. Its
        centre stays within the photo.
    """
    rim = find_rim(rgb, circles_px, log_sd)
    weight = np.where(rim.plain >= PLAIN, rim.plain, 0.0)
    shift, off, sd = _probable_circle(rim.rho, weight, log_sd)
    seen = (rim.plain >= PLAIN) & (np.abs(off) < 2.5 * RIM_SD)
    radius = circles_px[:, 2]
    x, y = (circles_px[:, i] + shift[:, i] * radius for i in (0, 1))
    return Sizes(
        x_px=np.clip(x, -0.5, rgb.shape[1] - 0.5),
        y_px=np.clip(y, -0.5, rgb.shape[0] - 0.5),
        r_px=radius * np.exp(shift[:, 2]),
        r_log_sd=sd,
        slim_frac=_slim(off, weight),
        visible_frac=_visible(rim, seen),
        roundness_frac=_roundness(off, seen),
        rim=rim,
    )


def _probable_circle(
    rho: FloatArray, weight: FloatArray, log_sd: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Most probable (dx, dy, ln R), residuals, and sd of ln R, all in given radii.

    Gauss-Newton on Gaussian priors plus a Cauchy loss on the rim points (iteratively
    reweighted least squares, as in Holland and Welsch, Communications in Statistics A6, 1977).
    """
    point = rho[..., None] * np.stack([np.cos(ANGLES), np.sin(ANGLES)], -1)
    value = np.zeros((len(rho), 3))
    prior = np.diag(1 / np.array([CENTRE_SD, CENTRE_SD, log_sd]) ** 2)
    off, normal = np.zeros_like(rho), np.tile(prior, (len(rho), 1, 1))
    for _ in range(8):
        step = point - value[:, None, :2]
        far = np.maximum(np.linalg.norm(step, axis=-1), 1e-6)
        size = np.exp(value[:, 2:])
        off = far - size
        pull = INDEPENDENT * weight / RIM_SD**2 / (1 + (off / (1.5 * RIM_SD)) ** 2)
        slope = np.concatenate(
            [-step / far[..., None], np.broadcast_to(-size, far.shape)[..., None]], -1
        )
        normal = prior + np.einsum("nt,nti,ntj->nij", pull, slope, slope)
        right = np.einsum("nt,nti,nt->ni", pull, slope, off) + value @ prior
        value = value - np.linalg.solve(normal, right[..., None])[..., 0]
        value = np.clip(value, [-0.5, -0.5, -0.7], [0.5, 0.5, 0.5])
    sd = np.minimum(SD_FACTOR * np.sqrt(np.linalg.inv(normal)[:, 2, 2]), log_sd)
    return value, off, np.asarray(sd)


def _slim(off: FloatArray, weight: FloatArray) -> FloatArray:
    """Half the difference of an oval's half-axes, in radii, from the rim about its circle.

    The second harmonic of the residuals, held to 0 by :data:`SLIM_SD` where little rim shows.
    """
    wave = np.stack([np.cos(2 * ANGLES), np.sin(2 * ANGLES)], -1)
    near = np.abs(off) < 4 * RIM_SD
    pull = INDEPENDENT * weight * near / RIM_SD**2 / (1 + (off / (2 * RIM_SD)) ** 2)
    normal = np.eye(2) / SLIM_SD**2 + np.einsum("nt,ti,tj->nij", pull, wave, wave)
    right = np.einsum("nt,ti,nt->ni", pull, wave, off)
    fit = np.linalg.solve(normal, right[..., None])[..., 0]
    return np.asarray(np.hypot(fit[:, 0], fit[:, 1]))


def _visible(rim: Rim, seen: BoolArray) -> FloatArray:
    """Mean of two signs: share of the rim seen, and share of the inside in the fruit's colour."""
    inner = rim.own[:, :, 8:19].mean(axis=(1, 2))
    return np.asarray(np.clip(0.5 * seen.mean(axis=1) + 0.5 * inner, 0.0, 1.0))


def _roundness(off: FloatArray, seen: BoolArray) -> FloatArray:
    """1 less the spread (10th to 90th percentile) of the seen rim about its circle, in radii."""
    enough = seen.mean(axis=1) >= ROUND_NEEDS
    out = np.full(len(off), np.nan)
    for i in np.flatnonzero(enough):
        low, high = np.percentile(off[i, seen[i]], [10, 90])
        out[i] = np.clip(1.0 - (high - low), 0.0, 1.0)
    return out


def diameters_mm(sizes: Sizes, scale: Scale) -> tuple[FloatArray, FloatArray]:
    """Diameter across the narrow way and its standard deviation in mm; NaN without a scale.

    Both have shape (N,), one a fruit.

    A caliper or a sizing ring reads a fruit the same way.

    Parameters
    ----------
    sizes : Sizes
    scale : Scale
        Its own uncertainty enters the standard deviation.

    Returns
    -------
    diameter_mm, diameter_sd_mm : float arrays
    """
    if not scale.known:
        blank = np.full(len(sizes.r_px), np.nan)
        return blank, blank
    diameter = 2 * sizes.r_px * (1 - sizes.slim_frac) * scale.mm_per_px
    scale_sd = scale.rel_sd_frac if np.isfinite(scale.rel_sd_frac) else 0.05
    relative = np.sqrt(sizes.r_log_sd**2 + DEPTH_SD**2 + scale_sd**2)
    return diameter, diameter * relative
