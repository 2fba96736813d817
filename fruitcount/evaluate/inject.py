"""Put known fruit into a real photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fruitcount.errors import BadInputError, at_least, in_range
from fruitcount.evaluate.strokes import draw_fruit
from fruitcount.image.opencv import cv2
from fruitcount.types import F32, BoolArray, FloatArray, Fruitlets, Photo, Pixels


@dataclass(frozen=True)
class CompletenessSettings:
    """What is put into a photo.

    Attributes
    ----------
    fruit_n : int
        Fruit put into one photo. More is quicker but crowds the photo.
    r_px : tuple of (smallest, largest) or None
        Radii; None spans 0.7 to 1.4 of the median radius already found.
    gap_radii : float
        Clear distance kept to found and to injected fruit, in mean radii. Larger puts them more
        in the open, where they are easier.
    from_photo_frac : float, 0 to 1
        Share that is a copy of a fruit found on the same photo; the rest is a drawn disc in that
        fruit's mean colour. Copies look truer but carry the detector's own taste: only fruit it
        found can be copied.
    """

    fruit_n: int = 12
    r_px: tuple[float, float] | None = None
    gap_radii: float = 1.0
    from_photo_frac: float = 0.5

    def __post_init__(self) -> None:
        at_least("fruit_n", self.fruit_n, 1)
        at_least("gap_radii", self.gap_radii, 0)
        in_range("from_photo_frac", self.from_photo_frac, 0, 1)
        if self.r_px is not None and not 1 <= self.r_px[0] <= self.r_px[1]:
            raise BadInputError(f"r_px must be two rising radii of 1 or more, got {self.r_px!r}")


@dataclass(frozen=True, eq=False)
class Injected:
    """Fruit put into photos, one entry a fruit.

    Attributes
    ----------
    x_px, y_px, r_px : float arrays
    contrast : float array
        Colour difference (CIE 1976 delta E) between fruit and the ring around it. Small is hard.
    found : bool array
        Whether the detector marked it; all False until ``completeness.recover`` has looked.
    copied : bool array
        A copy of a fruit of the photo, rather than a drawn disc.
    """

    x_px: FloatArray
    y_px: FloatArray
    r_px: FloatArray
    contrast: FloatArray
    found: BoolArray
    copied: BoolArray


def inject(
    photo: Photo, already: Fruitlets, seed: int, *, settings: CompletenessSettings | None = None
) -> tuple[Photo, Injected]:
    """Put fruit into a photo at random places clear of the fruit already found.

    Parameters
    ----------
    photo : Photo
    already : Fruitlets
        What the detector finds on the photo as it is: gives sizes, colours and copies.
    seed : int
    settings : CompletenessSettings, optional

    Returns
    -------
    photo : Photo
        A changed copy, with an empty hash: it is no longer the file.
    injected : Injected
        Fewer than asked where the photo has no room.

    Raises
    ------
    BadInputError
        Nothing was found on the photo and no radii were given.
    """
    s = settings or CompletenessSettings()
    rng = np.random.default_rng(seed)
    low, high = _radii(already, s)
    canvas = photo.rgb.astype(np.float32)
    placed: list[tuple[float, float, float, bool]] = []
    for r in rng.uniform(low, high, s.fruit_n):
        spot = _free_spot(rng, canvas.shape, r, already, placed, s.gap_radii)
        if spot is None:
            continue
        copied = _paste(canvas, photo, already, (*spot, float(r)), rng, s.from_photo_frac)
        placed.append((*spot, float(r), copied))
    rgb = np.clip(canvas.round(), 0, 255).astype(np.uint8)
    table = np.array([p[:3] for p in placed], np.float64).reshape(-1, 3)
    injected = Injected(
        table[:, 0],
        table[:, 1],
        table[:, 2],
        np.array([_contrast(rgb, p[:3]) for p in placed], np.float64),
        np.zeros(len(placed), bool),
        np.array([p[3] for p in placed], bool),
    )
    return Photo(rgb=rgb, name=photo.name, file_format=photo.file_format), injected


def _radii(already: Fruitlets, s: CompletenessSettings) -> tuple[float, float]:
    if s.r_px is not None:
        return s.r_px
    if not len(already):
        raise BadInputError("r_px must be given for a photo on which nothing was found")
    middle = float(np.median(already.r_px))
    return 0.7 * middle, 1.4 * middle


def _free_spot(
    rng: np.random.Generator,
    shape: tuple[int, ...],
    r: float,
    already: Fruitlets,
    placed: Sequence[tuple[float, float, float, bool]],
    gap_radii: float,
) -> tuple[float, float] | None:
    """Try sixty places; None when all collide or the photo is too small."""
    x = np.concatenate([already.x_px, [p[0] for p in placed]])
    y = np.concatenate([already.y_px, [p[1] for p in placed]])
    radius = np.concatenate([already.r_px, [p[2] for p in placed]])
    edge = 1.5 * r
    if shape[1] <= 2 * edge or shape[0] <= 2 * edge:
        return None
    for _ in range(60):
        at = rng.uniform(edge, shape[1] - edge), rng.uniform(edge, shape[0] - edge)
        clear = np.hypot(x - at[0], y - at[1]) - radius - r
        if not len(clear) or bool((clear > gap_radii * (radius + r) / 2).all()):
            return float(at[0]), float(at[1])
    return None


def _paste(
    canvas: F32,
    photo: Photo,
    already: Fruitlets,
    disc: tuple[float, float, float],
    rng: np.random.Generator,
    from_photo_frac: float,
) -> bool:
    """Copy a found fruit to the disc, or draw one in its colour; True for a copy."""
    if not len(already):
        draw_fruit(canvas, disc, (138, 168, 84), rng=rng)
        return False
    k = int(rng.integers(len(already)))
    source = (float(already.x_px[k]), float(already.y_px[k]), float(already.r_px[k]))
    if rng.random() >= from_photo_frac:
        # Mean of the shaded face is about four fifths of the sunlit side drawn by draw_fruit.
        red, green, blue = (_mean_colour(photo.rgb, source) / 0.8).clip(0, 255).tolist()
        draw_fruit(canvas, disc, (red, green, blue), rng=rng)
        return False
    _copy(canvas, photo.rgb, source, disc)
    return True


def _copy(
    canvas: F32, rgb: Pixels, source: tuple[float, float, float], disc: tuple[float, float, float]
) -> None:
    """Copy one disc of a photo onto another place and size, in place."""
    x, y, r = disc
    x0, y0 = max(0, int(x - r - 1)), max(0, int(y - r - 1))
    part = canvas[y0 : int(y + r) + 2, x0 : int(x + r) + 2]
    zoom = r / source[2]
    warp = np.array([[zoom, 0, x - x0 - zoom * source[0]], [0, zoom, y - y0 - zoom * source[1]]])
    size = (part.shape[1], part.shape[0])
    moved = cv2.warpAffine(rgb, warp, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    yy, xx = np.ogrid[: part.shape[0], : part.shape[1]]
    alpha = np.clip(r - np.hypot(xx + x0 - x, yy + y0 - y) + 0.5, 0, 1)[..., None]
    part += alpha.astype(np.float32) * (moved.astype(np.float32) - part)


def _mean_colour(rgb: Pixels, disc: tuple[float, float, float]) -> FloatArray:
    inside, _ = _inside_and_ring(rgb, disc)
    return np.asarray(inside.mean(axis=0), np.float64)


def _contrast(rgb: Pixels, disc: tuple[float, float, float]) -> float:
    inside, ring = _inside_and_ring(rgb, disc)
    pair = np.array([[inside.mean(axis=0), ring.mean(axis=0)]], np.float32) / 255
    lab = cv2.cvtColor(pair, cv2.COLOR_RGB2LAB)[0]
    return float(np.linalg.norm(lab[0] - lab[1]))


def _inside_and_ring(rgb: Pixels, disc: tuple[float, float, float]) -> tuple[Pixels, Pixels]:
    """Pixels within 0.8 of the radius, and those from 1.1 to 1.6 of it."""
    x, y, r = disc
    x0, y0 = max(0, int(x - 1.6 * r)), max(0, int(y - 1.6 * r))
    patch = rgb[y0 : int(y + 1.6 * r) + 2, x0 : int(x + 1.6 * r) + 2]
    yy, xx = np.ogrid[: patch.shape[0], : patch.shape[1]]
    rho = np.hypot(xx + x0 - x, yy + y0 - y) / r
    inside, ring = patch[rho <= 0.8], patch[(rho >= 1.1) & (rho <= 1.6)]
    if not len(inside) or not len(ring):
        return patch.reshape(-1, 3), patch.reshape(-1, 3)
    return inside, ring
