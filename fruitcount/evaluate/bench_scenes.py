"""Drawn photos for the benchmark: of any number of megapixels, and with any number of fruit."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from fruitcount.evaluate.known import Truth
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.image.opencv import cv2
from fruitcount.types import Photo

DRAWN_MEGAPIXELS = 12.0
"""Larger photos are enlarged from this size: drawing them would take gigabytes."""

TILE = SceneSettings(
    width_px=400, height_px=300, px_per_mm=2.2, fruit_n=10, leaf_n=25, card_id=-1, noise=2.0
)


def scene_of(megapixels: float, fruit_n: int, seed: int = 0) -> tuple[Photo, Truth]:
    """A drawn limb that fills a 4:3 photo of so many megapixels, and its truth.

    Parameters
    ----------
    megapixels : float
        Above 12 the photo is enlarged, and the truth is that of the smaller one.
    fruit_n : int
    seed : int
    """
    drawn = min(megapixels, DRAWN_MEGAPIXELS)
    height = round(math.sqrt(drawn * 1e6 * 3 / 4))
    width = round(height * 4 / 3)
    settings = SceneSettings(
        width_px=width,
        height_px=height,
        px_per_mm=width / 400,
        fruit_n=fruit_n,
        hidden_frac=0.15,
        # Smaller where there are many, so that they find room on the limb.
        diameter_mm=(10.0, 18.0) if fruit_n <= 40 else (6.0, 10.0),
    )
    photo, truth = draw_scene(seed, settings)
    if megapixels > drawn:
        zoom = math.sqrt(megapixels / drawn)
        large = cv2.resize(photo.rgb, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_LINEAR)
        photo = replace(photo, rgb=np.asarray(large, np.uint8))
    return photo, truth


def crowd_of(fruit_n: int, tiles_n: int = 100, seed: int = 0) -> tuple[Photo, float]:
    """One photo of a fixed size with few or many fruit, and its pixels per millimetre.

    Parameters
    ----------
    fruit_n : int
        Ten a tile that bears any.
    tiles_n : int
        Little scenes in the photo, 0.12 megapixels each.
    seed : int
    """
    bare = draw_scene(seed, replace(TILE, fruit_n=0))[0].rgb
    side = math.ceil(math.sqrt(tiles_n))
    bearing = math.ceil(fruit_n / TILE.fruit_n)
    kinds = [draw_scene(seed + 1 + k, TILE)[0].rgb for k in range(min(bearing, 6))]
    order = np.random.default_rng(seed).permutation(side * side)
    tiles = [bare] * (side * side)
    for k, place in enumerate(order[:bearing]):
        tiles[place] = kinds[k % len(kinds)]
    rows = [np.hstack(tiles[r * side : (r + 1) * side]) for r in range(side)]
    return Photo(rgb=np.vstack(rows), name="crowd.png"), TILE.px_per_mm
