"""How sharp the sides of a piece of wood are: what is behind the limb is out of focus."""

from __future__ import annotations

import warnings

import numpy as np

from fruitcount.image.reduce import sample_grid
from fruitcount.limb.centre import normals
from fruitcount.lines import resampled
from fruitcount.types import FloatArray, Photo


def edge_width_px(photo: Photo, line_px: FloatArray, half_px: float) -> float:
    """Width of the steepest change of light across a line: larger is more blurred.

    Parameters
    ----------
    photo : Photo
    line_px : array, shape (N, 2)
    half_px : float, px
        Half width of the wood (NaN: 4); three times that is looked at on both sides.

    Returns
    -------
    float, px
        Median over the line of the range of light across it by its steepest slope; NaN where
        nothing of it lies in the photo.
    """
    line = resampled(line_px, 40)
    reach = 3 * max(float(np.nan_to_num(half_px, nan=4.0)), 1.0)
    offset = np.arange(-reach, reach + 1)
    grid = line[:, None, :] + offset[None, :, None] * normals(line)[:, None, :]
    red, green, blue = np.moveaxis(sample_grid(photo.rgb, grid[..., 0], grid[..., 1]), 2, 0)
    light = (red + green + blue) / 3
    slope = np.abs(light[:, 2:] - light[:, :-2]) / 2
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # stations outside the photo: all NaN
        # The plain percentile is ten times as quick as the one that looks for NaN.
        percentile = np.nanpercentile if np.isnan(light).any() else np.percentile
        low, high = percentile(light, [5, 95], axis=1)
        steepest = np.nanmax(slope, axis=1)
        return float(np.nanmedian((high - low) / np.maximum(steepest, 1.0)))
