"""What the keeper knows of a tree, its limbs and what it should bear."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from fruitcount.checks import positive
from fruitcount.errors import BadInputError
from fruitcount.tree import BothSides, Path

__all__ = ["LimbSize", "SizedLimb", "TreeFacts"]


@dataclass(frozen=True)
class LimbSize:
    """Measured by hand: thickness at the base and length; NaN where not.

    ``group`` names limbs that are alike (top, bottom; sunny, shaded); empty where not told.
    """

    base_diameter_mm: float = math.nan
    length_mm: float = math.nan
    group: str = ""


@dataclass(frozen=True)
class TreeFacts:
    """What the keeper knows of a tree and wants from it.

    Attributes
    ----------
    species : str
    ripening_month : int or None
    southern : bool
    age_years : int or None
        With the trunk: reads the published table, where the species has one.
    trunk_circumference_mm : float or None
        About 20 cm above ground.
    crates_n, crate_kg : float or None
        Crates wanted from this tree, and fruit in a full one. They lead where given.
    spacing_mm : float or None
        The keeper's own spacing; the species' range otherwise.
    harvest_diameter_mm : float or None
        Ripe size wanted; sets the weight of one fruit.
    pace_n_per_min : float or None
        Fruit taken off in a minute, the keeper's own.
    limbs_n : int or None
        Limbs on the tree, where their sizes are not known.
    limb_sizes : mapping
        Limb name to its size, for every limb, photographed or not.
    seen_true : tuple of (seen, true)
        Limbs counted on the photo and by hand.
    both_sides : tuple of BothSides
        Limbs seen from the front and the back. Used only where ``seen_true`` is empty.
    remarks : tuple of str
        What the answer has to say of these facts besides, such as one that could not be used.
    by_group : bool
        Estimate by the groups of ``limb_sizes``, each limb standing for those of its group. By
        default limbs stand for others by their cross-section.
    walks : tuple of Path
        Random walks from the trunk to a tip, counted by hand. Where given, they tell the total.
    """

    species: str = "peach"
    ripening_month: int | None = None
    southern: bool = False
    age_years: int | None = None
    trunk_circumference_mm: float | None = None
    crates_n: float | None = None
    crate_kg: float | None = None
    spacing_mm: float | None = None
    harvest_diameter_mm: float | None = None
    pace_n_per_min: float | None = None
    limbs_n: int | None = None
    limb_sizes: Mapping[str, LimbSize] = field(default_factory=dict)
    seen_true: tuple[tuple[float, float], ...] = ()
    both_sides: tuple[BothSides, ...] = ()
    remarks: tuple[str, ...] = ()
    by_group: bool = False
    walks: tuple[Path, ...] = ()

    def __post_init__(self) -> None:
        for name in ("trunk_circumference_mm", "crate_kg", "spacing_mm", "pace_n_per_min"):
            if getattr(self, name) is not None:
                positive(name, getattr(self, name))
        if (self.crates_n is None) != (self.crate_kg is None):
            raise BadInputError("crates need both their number and the kg that one holds")


@dataclass(frozen=True)
class SizedLimb:
    """One limb with what was counted on it: NaN where it was not photographed."""

    name: str
    count_n: float
    var_n2: float
    size: LimbSize
