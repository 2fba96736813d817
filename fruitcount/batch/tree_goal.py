"""How many fruit one tree should keep, from what the keeper told."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from fruitcount.batch.tree_facts import SizedLimb, TreeFacts
from fruitcount.errors import BadInputError
from fruitcount.months import northern_month
from fruitcount.species import Species
from fruitcount.tree import TreeTarget, target_by_crates, target_by_spacing, target_by_trunk

__all__ = ["target_of"]


def target_of(
    limbs: Sequence[SizedLimb], area: Any, species: Species, facts: TreeFacts, fruit_g: float
) -> tuple[TreeTarget, list[str]]:
    """The tree's target, from the crates, else the trunk, else the spacing; and what was assumed.

    Parameters
    ----------
    limbs : sequence of SizedLimb
    area : array, cm2
        Their cross-sections.
    species : Species
    facts : TreeFacts
    fruit_g : float
        Weight of one ripe fruit.

    Raises
    ------
    BadInputError
        When nothing tells a target.
    """
    if facts.crates_n is not None and facts.crate_kg is not None:
        return target_by_crates(facts.crates_n, crate_kg=facts.crate_kg, fruit_g=fruit_g), []
    if facts.trunk_circumference_mm is not None:
        if facts.age_years is None:
            raise BadInputError("age_years must be given with the trunk circumference, got None")
        month = facts.ripening_month
        if month is not None:
            month = northern_month(month, southern=facts.southern)
        said = [] if month else ["Ripening month not told: taken as mid-season."]
        circumference_cm = facts.trunk_circumference_mm / 10
        season = species.season_of(month) or "mid"
        target = target_by_trunk(
            species, circumference_cm, age_years=facts.age_years, season=season
        )
        return target, said
    return _by_spacing(limbs, area, species, facts)


def _by_spacing(
    limbs: Sequence[SizedLimb], area: Any, species: Species, facts: TreeFacts
) -> tuple[TreeTarget, list[str]]:
    length = np.array([limb.size.length_mm for limb in limbs])
    known = np.isfinite(length)
    if not known.any() or not (species.thinned and species.spacing_centre_mm.known):
        raise BadInputError(
            "target must be told: give the trunk and the tree's age, or the crates wanted, or "
            "photos with a scale so that limbs have a length"
        )
    notes = []
    if not known.all():
        # longer limbs are thicker: length by the square root of the area; our own choice
        per_root = length[known].sum() / np.sqrt(area[known]).sum()
        length = np.where(known, length, per_root * np.sqrt(area))
        lack = int((~known).sum())
        notes.append(f"{lack} of {len(limbs)} limbs have no measured length: by their thickness.")
    low, high = species.spacing_low_mm, species.spacing_high_mm
    ends = (low.number, high.number)
    source = f"spacing {low.number / 10:.0f} to {high.number / 10:.0f} cm: {low.status}"
    if facts.spacing_mm is not None:
        ends = (facts.spacing_mm, facts.spacing_mm)
        source = "the keeper's own spacing"
    return target_by_spacing(length, low_mm=ends[0], high_mm=ends[1], source=source), notes
