"""The printed scale card: a white card with one ArUco marker (4x4 bits, dictionary of 50)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitcount.image.card import CARD_SIDES_MM

from .mesh import MeshBuf, across, unit
from .wood import OBJ_CARD, STRIP_DRY, STRIP_GREEN, add_twigs

# Bits of DICT_4X4_50 in row order, read once from OpenCV 5.0.0 (cv2.aruco.generateImageMarker).
BITS = (
    0xB532, 0x0F9A, 0x332D, 0x9946, 0x549E, 0x79CD, 0x9E2E, 0xC4F2, 0xFEDA, 0xCF56,
    0xF991, 0x11A7, 0x0EB7, 0x2A0F, 0x24B1, 0x263E, 0x4665, 0x6600, 0x6C5E, 0x76AF,
    0x868B, 0xB02B, 0xCCD5, 0xDD82, 0xFE47, 0x9471, 0xACE4, 0xA554, 0x2123, 0x346F,
    0x4415, 0x57B2, 0x9ECF, 0xF0CB, 0x08AE, 0x0929, 0x1875, 0x04FF, 0x0DF6, 0x1C5A,
    0x1718, 0x2A28, 0x328C, 0x38B2, 0x24E8, 0x2EEB, 0x2D3F, 0x4B64, 0x502E, 0x5013,
)  # fmt: skip

# Side in mm of the cards numbered 0-9, 10-19, … as this project prints them.
SIDES_MM = tuple(CARD_SIDES_MM.values())


@dataclass(frozen=True)
class Card:
    """Where the card is: centre of the marker in mm, directions to the right and up as printed."""

    marker_id: int
    side_mm: float
    centre: NDArray[Any]
    right: NDArray[Any]
    up: NDArray[Any]
    tilt_deg: float
    quiet: float  # white margin, in modules (sixths of the side)

    @property
    def corners(self) -> NDArray[Any]:
        """Marker corners (4, 3): top left, top right, bottom right, bottom left."""
        h = self.side_mm / 2
        r, u = self.right, self.up
        return np.asarray(self.centre + h * np.array([-r + u, r + u, r - u, -r - u]))

    @property
    def outline(self) -> NDArray[Any]:
        """Corners of the white card, in the same order."""
        return np.asarray(self.centre + (self.corners - self.centre) * (1 + 2 * self.quiet / 6))


def number_for(side_mm: float, rng: np.random.Generator) -> int:
    """A card number whose printed side is `side_mm`; raises `ValueError` if there is none."""
    return 10 * SIDES_MM.index(float(side_mm)) + int(rng.integers(10))


def side_of(marker_id: int) -> float:
    """Printed side in mm of a numbered card."""
    return SIDES_MM[marker_id // 10]


def marker_bits(marker_id: int) -> NDArray[Any]:
    """Marker as 6 x 6 modules, 1 white and 0 black, with its black border."""
    m = np.zeros((6, 6))
    m[1:5, 1:5] = np.array([(BITS[marker_id] >> (15 - i)) & 1 for i in range(16)]).reshape(4, 4)
    return m


def picture(
    marker_id: int, quiet: float, white: float = 0.82, black: float = 0.035
) -> tuple[NDArray[Any], float]:
    """Reflectance of the whole card with whole texels a module, and the card's side in modules."""
    q = round(quiet * 4)
    side = 24 + 2 * q
    img = np.full((side, side, 3), white, np.float32)
    bits = np.kron(marker_bits(marker_id), np.ones((4, 4)))
    img[q : q + 24, q : q + 24] = (black + (white - black) * bits)[..., None]
    return img, side / 4


def place(
    rng: np.random.Generator,
    eye: NDArray[Any],
    anchor: NDArray[Any],
    offset: NDArray[Any],
    side_mm: float,
) -> Card:
    """A card near `anchor` moved by `offset`, facing `eye` but for a tilt up to 55 degrees."""
    centre = anchor + offset
    to_eye = unit(eye - centre)
    tilt = float(min(55.0, abs(rng.normal(0, 20))))
    side = across(to_eye, rng.normal(size=3))
    n = np.cos(np.deg2rad(tilt)) * to_eye + np.sin(np.deg2rad(tilt)) * side
    up = across(n, np.array([0, 0, 1.0]) + rng.normal(size=3) * rng.choice([0.08, 0.5]))
    right = np.cross(up, n)
    real = float(np.rad2deg(np.arccos(np.clip(n @ to_eye, -1, 1))))
    return Card(
        number_for(side_mm, rng),
        side_mm,
        centre,
        right,
        up,
        real,
        float(rng.choice([1.0, 1.25, 1.5, 2.0])),
    )


def add(
    face: MeshBuf, bits: MeshBuf, card: Card, limb_point: NDArray[Any], rng: np.random.Generator
) -> None:
    """Add the card and what holds it: a thread, a stick or a clip to the limb."""
    o = card.outline
    n = np.cross(card.right, card.up)
    uv = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    face.add(o, np.array([[0, 3, 2], [0, 2, 1]]), np.tile(n, (4, 1)), uv=uv, obj=OBJ_CARD)
    back = o - n * 0.6
    white = np.full((4, 2), 0.01, np.float32)
    face.add(back, np.array([[0, 2, 3], [0, 1, 2]]), np.tile(-n, (4, 1)), uv=white)
    edge = np.concatenate([o, (o + np.roll(o, 1, 0)) / 2]) - n
    top = edge[np.linalg.norm(edge - limb_point, axis=1).argmin()]
    s = np.linspace(0, 1, 8)[:, None]
    if rng.random() < 0.6:
        line = top * (1 - s) + limb_point * s + np.array([0, 0, -3.0]) * np.sin(np.pi * s)
        add_twigs(bits, line[None], np.full((1, 8), rng.uniform(0.3, 1.0)), np.array([STRIP_DRY]))
    else:
        low = o.mean(0) - n * 2.5
        line = (
            low
            - card.up * card.side_mm * 0.4
            + (card.up * card.side_mm * 0.4 - np.array([0, 0, 1.0]) * 500) * s
        )
        add_twigs(
            bits, line[None], np.full((1, 8), 2.5), np.array([rng.choice([STRIP_DRY, STRIP_GREEN])])
        )
