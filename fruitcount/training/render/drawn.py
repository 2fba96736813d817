"""Photographs like the bundled samples, but drawn by chance: to judge by, not to tune on.

Every orchard, limb and number here is invented.
"""

from __future__ import annotations

import numpy as np

from .kinds import APRICOT, CHERRY, NECTARINE, PEACH, PLUM, PLUM_APRICOT, SWEET_CHERRY, Kind
from .shots import BUNCHES, PAIRS, SHOTS, TALL, WIDE, Shot

PREFIX = "drawn-"
_SALT = 415

# species, kind, chance, fruit in mm, leaf size, fruit at one place
_SPECIES: tuple[
    tuple[str, Kind, float, tuple[float, float], tuple[float, float], tuple[float, ...]], ...
] = (
    ("peach", PEACH, 0.3, (12, 20), (0.5, 0.65), PAIRS),
    ("nectarine", NECTARINE, 0.15, (11, 19), (0.5, 0.6), PAIRS),
    ("japanese-plum", PLUM, 0.1, (9, 15), (0.65, 0.8), BUNCHES),
    ("european-plum", PLUM, 0.1, (9, 15), (0.65, 0.8), PAIRS),
    ("apricot", APRICOT, 0.15, (13, 21), (0.6, 0.75), PAIRS),
    ("plum-apricot", PLUM_APRICOT, 0.07, (12, 18), (0.6, 0.75), PAIRS),
    ("cherry-plum", CHERRY, 0.08, (9, 13), (0.4, 0.5), BUNCHES),
    ("sweet-cherry", SWEET_CHERRY, 0.05, (9, 12), (0.45, 0.55), BUNCHES),
)
_LIGHTS = {"sun": 0.35, "shade": 0.25, "mixed": 0.2, "backlight": 0.2}
_BACKGROUNDS = ("level", "ground", "sky")


def drawn_shot(number: int) -> Shot:
    """The limb of this number; always the same one.

    Yellowing is drawn more often than an orchard has it, so that enough of it is judged.
    """
    rng = np.random.default_rng([number, _SALT])
    chances = np.array([row[2] for row in _SPECIES])
    species, kind, _, fruit_mm, leaf, cluster = _SPECIES[
        rng.choice(len(_SPECIES), p=chances / chances.sum())
    ]
    tall = rng.random() < 0.3
    length_mm = rng.uniform(350, 900)
    flat_deg = rng.uniform(-30, 40) + 180 * (rng.random() < 0.4)
    steep_deg = rng.uniform(65, 110) * rng.choice([-1, 1])
    return Shot(
        name=f"{PREFIX}{number}",
        title=f"Limb drawn by chance, number {number}",
        species=species,
        kind=kind,
        seed=100_000 + number,
        light=str(rng.choice(list(_LIGHTS), p=list(_LIGHTS.values()))),
        background=str(rng.choice(_BACKGROUNDS)),
        size=TALL if tall else WIDE,
        length_mm=float(length_mm),
        base_mm=float(length_mm * rng.uniform(0.022, 0.034)),
        tip_mm=float(rng.uniform(3.5, 5.5)),
        angle_deg=float(steep_deg if tall else flat_deg),
        away_deg=float(rng.uniform(-4, 4)),
        fruit=int(np.clip(length_mm / 1000 * rng.uniform(10, 50), 4, 36)),
        fruit_mm=float(rng.uniform(*fruit_mm)),
        cluster=cluster,
        card_id=int(rng.integers(20, 40) if length_mm > 450 else rng.integers(10, 30)),
        card_tilt_deg=float(rng.uniform(4, 35)),
        card_along=float(rng.uniform(0.2, 0.55)),
        card_side=int(rng.choice([-1, 1])),
        yellow_frac=float(rng.uniform(0.08, 0.25)) if rng.random() < 0.65 else 0.0,
        hurt_frac=0.1 if rng.random() < 0.2 else 0.0,
        outer_frac=float(rng.uniform(0.6, 0.78)),
        leaf_frac=float(rng.uniform(0.55, 0.95)),
        leaf_size=float(rng.uniform(*leaf)),
        front_frac=float(rng.uniform(0.3, 0.9)),
        shoots=int(rng.random() < 0.3),
        others=int(rng.integers(1, 5)),
    )


def shot(name: str) -> Shot:
    """The sample called `name`, or the drawn limb of that number.

    Raises
    ------
    KeyError
        There is none.
    """
    number = name.removeprefix(PREFIX)
    if number != name and number.isdecimal():
        return drawn_shot(int(number))
    for s in SHOTS:
        if s.name == name:
            return s
    raise KeyError(name)
