"""Size of each fruit from the part of its rim that shows, and how round and hidden it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitcount.image.rim import ANGLES, Rim, find_rim
from fruitcount.types import BoolArray, FloatArray, Pixels, Scale

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
# to half as long again as wide, seen from any side. Our choice; a larger one follows the rim more.
SLIM_SD = 0.08

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
