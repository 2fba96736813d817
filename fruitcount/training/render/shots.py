"""The bundled sample photographs: what each one shows.

Every orchard, limb and number here is invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .kinds import APRICOT, CHERRY, NECTARINE, PEACH, PLUM, PLUM_APRICOT, SWEET_CHERRY, Kind

WIDE, TALL = (2016, 1512), (1512, 2016)
BIG, BIG_TALL = (4032, 3024), (3024, 4032)
PAIRS, BUNCHES = (0.2, 0.4, 0.25, 0.1, 0.05), (0.05, 0.3, 0.3, 0.2, 0.15)


@dataclass(frozen=True)
class Shot:
    """One sample photograph.

    `angle_deg` is the limb's direction in the picture (0 right, 90 up), `away_deg` how far its tip
    leans away from the picture plane. `outer_frac` is the share of fruit on the outer two thirds.
    `cluster` holds the chances of 1, 2, 3, … fruit at one place. `leaf_frac` is the share of nodes
    with leaves, `leaf_size` their size, `front_frac` the share of leaves before fruit or wood that
    stay there. `card_along` and `card_side` (1 or -1) say where the card hangs; its side follows
    from its number. `fill` is the share of the frame that limb, fruit and card span.
    """

    name: str
    title: str
    species: str
    kind: Kind
    seed: int
    light: str
    background: str
    size: tuple[int, int]
    length_mm: float
    base_mm: float
    tip_mm: float
    angle_deg: float
    away_deg: float
    fruit: int
    fruit_mm: float
    cluster: tuple[float, ...]
    card_id: int
    card_tilt_deg: float
    card_along: float
    card_side: int
    yellow_frac: float = 0.0
    hurt_frac: float = 0.0
    outer_frac: float = 0.67
    leaf_frac: float = 0.65
    leaf_size: float = 0.7
    front_frac: float = 0.35
    shoots: int = 0
    others: int = 2
    fill: float = 0.9
    spp_factor: float = 1.0


SHOTS: tuple[Shot, ...] = (
    Shot(
        "peach-34in-heavy",
        "Peach limb of 34 in (864 mm) with a heavy set, most of it on the outer two thirds",
        "peach", PEACH, 3, "sun", "level", BIG, 863.6, 23, 5.5, 14, 3, 30, 17, PAIRS, 23, 12, 0.2,
        -1, outer_frac=0.75, shoots=1, leaf_size=0.6, leaf_frac=0.60, spp_factor=0.45
    ),
    Shot(
        "peach-18in-crowded",
        "Peach limb of 18 in (457 mm) with 20 fruitlets in open shade",
        "peach", PEACH, 1, "shade", "ground", WIDE, 457.2, 14, 4.5, -12, 4, 20, 18, PAIRS, 24, 8,
        0.3, 1, leaf_size=0.55, leaf_frac=0.70
    ),
    Shot(
        "peach-upright",
        "Upright peach limb, taken with the phone held upright",
        "peach", PEACH, 1, "mixed", "level", TALL, 610, 17, 4, 82, -3, 24, 16, PAIRS, 21, 18, 0.35,
        1, leaf_size=0.55, leaf_frac=0.65
    ),
    Shot(
        "peach-against-light",
        "Peach limb seen against the sun and the sky",
        "peach", PEACH, 1, "backlight", "sky", WIDE, 640, 15, 4, 24, 2, 18, 17, PAIRS, 33, 10, 0.55,
        -1, leaf_size=0.6, leaf_frac=0.65
    ),
    Shot(
        "peach-yellowing",
        "Peach limb shortly before the natural drop: one fruitlet in five is yellow and "
        "has stopped growing",
        "peach", PEACH, 1, "sun", "ground", WIDE, 600, 18, 4.5, 165, 2, 25, 17, PAIRS, 27, 15, 0.4,
        1, yellow_frac=0.2, leaf_size=0.55, leaf_frac=0.65
    ),
    Shot(
        "peach-leafy",
        "Leafy peach limb: leaves hide part of the fruit",
        "peach", PEACH, 2, "mixed", "level", WIDE, 560, 16, 4, 190, -3, 18, 19, PAIRS, 28, 20, 0.5,
        1, leaf_size=0.62, leaf_frac=0.95, front_frac=0.9
    ),
    Shot(
        "peach-light-set",
        "Peach limb with a light set: four fruit on 800 mm",
        "peach", PEACH, 1, "sun", "sky", WIDE, 800, 16, 4, 35, 2, 4, 20, (0.7, 0.3), 36, 14, 0.3,
        -1, leaf_size=0.65, leaf_frac=0.70
    ),
    Shot(
        "nectarine-crossing",
        "Nectarine limb with others crossing behind it",
        "nectarine", NECTARINE, 2, "sun", "level", WIDE, 640, 19, 4.5, -20, 4, 22, 18, PAIRS, 31,
        16, 0.45, 1, leaf_size=0.55, leaf_frac=0.65, others=4
    ),
    Shot(
        "nectarine-hanging",
        "Hanging nectarine limb with some yellowing fruitlets",
        "nectarine", NECTARINE, 3, "shade", "level", TALL, 700, 15, 3.5, -80, -2, 26, 15, PAIRS, 37,
        22, 0.4, -1, yellow_frac=0.15, leaf_size=0.5, leaf_frac=0.60
    ),
    Shot(
        "plum-clusters",
        "Plum limb with 36 small fruitlets in clusters",
        "japanese-plum", PLUM, 3, "shade", "ground", BIG_TALL, 880, 26, 5, 68, 3, 36, 13, BUNCHES,
        39, 10, 0.25, 1, leaf_size=0.8, leaf_frac=0.65, spp_factor=0.45
    ),
    Shot(
        "plum-steep-card",
        "Plum limb, the card hung askew: it leans 50 degrees away",
        "european-plum", PLUM, 2, "sun", "level", WIDE, 520, 14, 4, 10, 3, 21, 13, PAIRS, 22, 50,
        0.5, -1, yellow_frac=0.12, leaf_size=0.75, leaf_frac=0.60
    ),
    Shot(
        "apricot-spur",
        "Short apricot branch with six fruit",
        "apricot", APRICOT, 1, "sun", "sky", WIDE, 352, 11, 4, 30, 2, 6, 21, (0.4, 0.4, 0.2), 15,
        12, 0.35, 1, outer_frac=0.8, leaf_size=0.7, leaf_frac=0.70
    ),
    Shot(
        "apricot-heavy",
        "Apricot limb with a heavy set and a little hail damage",
        "apricot", APRICOT, 1, "mixed", "ground", WIDE, 520, 17, 4.5, 172, 3, 24, 19, PAIRS, 25, 10,
        0.5, -1, hurt_frac=0.1, leaf_size=0.65, leaf_frac=0.60
    ),
    Shot(
        "plum-apricot-row",
        "Plum-apricot limb with the row behind it",
        "plum-apricot", PLUM_APRICOT, 1, "backlight", "level", WIDE, 580, 16, 4, 18, -3, 20, 18,
        PAIRS, 34, 25, 0.6, -1, leaf_size=0.7, leaf_frac=0.65, others=3
    ),
    Shot(
        "cherry-plum-tall",
        "Cherry-plum limb with long stalks",
        "cherry-plum", CHERRY, 6, "sun", "ground", TALL, 640, 13, 3.5, 75, 2, 27, 13, BUNCHES,
        32, 15, 0.3, -1, leaf_size=0.45, leaf_frac=0.60
    ),
    Shot(
        "cherry-bunches",
        "Sweet cherry limb, green fruit hanging in bunches",
        "sweet-cherry", SWEET_CHERRY, 1, "mixed", "sky", WIDE, 480, 16, 5, 8, 3, 30, 11, BUNCHES,
        26, 6, 0.2, 1, leaf_size=0.5, leaf_frac=0.60
    ),
)  # fmt: skip


def direction(
    s: Shot, right: NDArray[Any], up: NDArray[Any], forward: NDArray[Any]
) -> NDArray[Any]:
    """The limb's heading in the world for a camera with these axes."""
    a, b = np.deg2rad(s.angle_deg), np.deg2rad(s.away_deg)
    flat = np.cos(a) * right + np.sin(a) * up
    return np.asarray(np.cos(b) * flat + np.sin(b) * forward)
