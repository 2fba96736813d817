"""A word for a photo's light, measured, for sets whose annotation does not tell it."""

from __future__ import annotations

import numpy as np

from fruitcount.image.opencv import cv2
from fruitcount.types import Pixels

# CIE L* from 0 to 100. Limits set on four open sets so that each word gets a usable share.
_GLARE_L, _GLARE_FRAC = 92.0, 0.2
_DARK_MEAN_L = 30.0
_CONTRAST_SD_L = 18.0


def measured_light(rgb: Pixels) -> str:
    """Classify a photo's light by its lightness alone.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)

    Returns
    -------
    str
        ``"much sky or glare"``: a fifth of the photo is nearly white. ``"dark"``: the mean
        lightness is under 30. ``"high contrast"``: sun and shade together. ``"even"``: none of
        these. The first that holds is given.
    """
    zoom = min(1.0, 320 / max(rgb.shape[:2]))
    size = (max(1, round(rgb.shape[1] * zoom)), max(1, round(rgb.shape[0] * zoom)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    lightness = cv2.cvtColor(small, cv2.COLOR_RGB2LAB)[..., 0]
    if float((lightness > _GLARE_L).mean()) >= _GLARE_FRAC:
        return "much sky or glare"
    if float(lightness.mean()) < _DARK_MEAN_L:
        return "dark"
    return "high contrast" if float(lightness.std()) > _CONTRAST_SD_L else "even"
