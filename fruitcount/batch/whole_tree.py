"""From counted limbs to one tree's answer: estimate, target, shares, what to photograph next."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from fruitcount.batch.group import LimbCount, group_limbs
from fruitcount.checks import positive
from fruitcount.errors import BadInputError
from fruitcount.load import harvest_mass_g
from fruitcount.plan.fruit_size import size_code
from fruitcount.species import Species, load_species
from fruitcount.tree import (
    Estimate,
    Factor,
    LimbFacts,
    TreeSheet,
    TreeTarget,
    apply_factor,
    csa_cm2,
    factor_share,
    limbs_to_halve,
    ratio_total,
    seen_to_true,
    simple_total,
    target_by_crates,
    target_by_spacing,
    target_by_trunk,
    tree_sheet,
)

__all__ = ["LimbSize", "TreeAnswer", "TreeFacts", "limbs_of_tree", "tree_answer"]


@dataclass(frozen=True)
class LimbSize:
    """Measured by hand: thickness at the base and length; NaN where not."""

    base_diameter_mm: float = math.nan
    length_mm: float = math.nan


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

    def __post_init__(self) -> None:
        for name in ("trunk_circumference_mm", "crate_kg", "spacing_mm", "pace_n_per_min"):
            if getattr(self, name) is not None:
                positive(name, getattr(self, name))
        if (self.crates_n is None) != (self.crate_kg is None):
            raise BadInputError("crates need both their number and the kg that one holds")


@dataclass(frozen=True)
class TreeAnswer:
    """One tree's answer.

    Attributes
    ----------
    tree : str
    sheet : TreeSheet
        Estimate, target and each limb's share.
    files : mapping
        Limb name to the photos it was counted on.
    next_limbs : tuple of str
        Photograph these next; they would halve the interval.
    fruit_g : float
        Weight taken for one ripe fruit.
    size_class : str
        Trade size code of the wanted ripe size; empty where the species has none.
    true_per_seen : float
        What the hand counts say; 1 without any.
    notes : tuple of str
        What had to be assumed.
    """

    tree: str
    sheet: TreeSheet
    files: Mapping[str, tuple[str, ...]]
    next_limbs: tuple[str, ...]
    fruit_g: float
    size_class: str
    true_per_seen: float
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Limb:
    name: str
    count_n: float
    var_n2: float
    size: LimbSize


def limbs_of_tree(
    rows: Iterable[Mapping[str, Any]], tree: str
) -> tuple[list[LimbCount], dict[str, float]]:
    """The limbs of one tree before thinning, and their mean measured lengths in mm.

    Parameters
    ----------
    rows : iterable of mapping
        As :func:`fruitcount.batch.group.group_limbs` takes them. Photos taken after thinning are
        left out.
    tree : str
    """
    mine = [r for r in rows if (r.get("tree") or "") == tree and r.get("moment") != "after"]
    mine = [{**r, "moment": ""} for r in mine]
    limbs = group_limbs(mine)
    by_file = {str(r["file"]): r.get("length_mm") for r in mine}
    lengths = {}
    for limb in limbs:
        known = [float(v) for f in limb.files if (v := by_file.get(f)) is not None]
        if known:
            lengths[limb.limb] = float(np.mean(known))
    return limbs, lengths


def tree_answer(rows: Sequence[Mapping[str, Any]], tree: str, facts: TreeFacts) -> TreeAnswer:
    """Estimate a tree from its counted photos, set its target and share it over the limbs.

    The target comes from the crates where they are given, else from the trunk, else from the
    spacing over all limbs.

    Parameters
    ----------
    rows : sequence of mapping
        One a photo, such as :func:`fruitcount.batch.read_rows` gives.
    tree : str
        Its name in the rows.
    facts : TreeFacts

    Raises
    ------
    BadInputError
        When no limb of the tree was counted, or nothing tells a target.
    """
    species = load_species(facts.species)
    counted, lengths = limbs_of_tree(rows, tree)
    counted = [limb for limb in counted if math.isfinite(limb.count_n)]
    if not counted:
        known = ", ".join(sorted({str(r.get("tree") or "(no name)") for r in rows})) or "none"
        raise BadInputError(f"tree must have counted limbs, got {tree!r} (trees there: {known})")
    limbs, notes = _all_limbs(counted, lengths, facts)
    area = csa_cm2([limb.size.base_diameter_mm for limb in limbs])
    factor = _factor(facts)
    total, more = _estimate(limbs, area, factor, sized=not facts.limbs_n)
    fruit_g = harvest_mass_g(species, facts.harvest_diameter_mm)
    target, remarks = _target(limbs, area, species, facts, fruit_g)
    times = factor.value if factor else 1.0
    sheet = tree_sheet(
        [LimbFacts(x.name, float(a), x.count_n * times) for x, a in zip(limbs, area, strict=True)],
        total,
        target=target,
        pace_n_per_min=facts.pace_n_per_min,
        fruit_g=fruit_g,
    )
    wanted = facts.harvest_diameter_mm or species.harvest_diameter_mm.number
    code = size_code(species, wanted) if species.size_codes else ""
    names = tuple(limbs[i].name for i in more)
    files = {limb.limb: limb.files for limb in counted}
    return TreeAnswer(tree, sheet, files, names, fruit_g, code, times, (*notes, *remarks))


def _all_limbs(
    counted: Sequence[LimbCount], lengths: Mapping[str, float], facts: TreeFacts
) -> tuple[list[_Limb], list[str]]:
    """Every limb with a thickness; what had to be filled in is said."""
    limbs = []
    for c in counted:
        typed = facts.limb_sizes.get(c.limb, LimbSize())
        base = c.base_diameter_mm if math.isnan(typed.base_diameter_mm) else typed.base_diameter_mm
        length = lengths.get(c.limb, math.nan)
        size = LimbSize(base, length if math.isnan(typed.length_mm) else typed.length_mm)
        limbs.append(_Limb(c.limb, c.count_n, c.var_n2, size))
    seen = {limb.name for limb in limbs}
    limbs += [
        _Limb(name, math.nan, 0.0, size)
        for name, size in facts.limb_sizes.items()
        if name not in seen
    ]
    if facts.limbs_n is not None and facts.limbs_n < len(limbs):
        raise BadInputError(f"limbs must be at least {len(limbs)}, got {facts.limbs_n}")
    for k in range(len(limbs), facts.limbs_n or 0):
        limbs.append(_Limb(f"other limb {k - len(seen) + 1}", math.nan, 0.0, LimbSize()))
    widths = [x.size.base_diameter_mm for x in limbs if math.isfinite(x.size.base_diameter_mm)]
    lack = len(limbs) - len(widths)
    if not lack:
        return limbs, []
    usual = math.sqrt(float(np.mean(np.square(widths)))) if widths else 25.0
    note = f"{lack} of {len(limbs)} limbs have no measured thickness: taken as thick as the others."
    filled = [
        x
        if math.isfinite(x.size.base_diameter_mm)
        else replace(x, size=replace(x.size, base_diameter_mm=usual))
        for x in limbs
    ]
    return filled, [note]


def _factor(facts: TreeFacts) -> Factor | None:
    if not facts.seen_true:
        return None
    return seen_to_true([s for s, _ in facts.seen_true], [t for _, t in facts.seen_true])


def _estimate(
    limbs: Sequence[_Limb], area: Any, factor: Factor | None, *, sized: bool
) -> tuple[Estimate, tuple[int, ...]]:
    """The total, and the limbs to photograph next."""
    seen = [i for i, limb in enumerate(limbs) if math.isfinite(limb.count_n)]
    fruit = [limbs[i].count_n for i in seen]
    if sized:
        within = [limbs[i].var_n2 for i in seen]
        total = ratio_total(fruit, area[seen], all_area_cm2=area, limb_var=within)
    else:
        total = simple_total(fruit, limbs_n=len(limbs))
    fixed = 0.0
    if factor is not None:
        fixed = factor_share(total, factor)
        total = apply_factor(total, factor)
    if len(seen) < 2 or len(seen) == len(limbs):
        return total, tuple(i for i in range(len(limbs)) if i not in seen)[:1]
    fixed = fixed if math.isfinite(fixed) else 0.0
    return total, limbs_to_halve(area, seen, fixed_share_frac=fixed).which


def _target(
    limbs: Sequence[_Limb], area: Any, species: Species, facts: TreeFacts, fruit_g: float
) -> tuple[TreeTarget, list[str]]:
    if facts.crates_n is not None and facts.crate_kg is not None:
        return target_by_crates(facts.crates_n, crate_kg=facts.crate_kg, fruit_g=fruit_g), []
    if facts.trunk_circumference_mm is not None:
        if facts.age_years is None:
            raise BadInputError("age_years must be given with the trunk circumference, got None")
        month = facts.ripening_month
        if month is not None and facts.southern:
            month = (month + 5) % 12 + 1
        said = [] if month else ["Ripening month not told: taken as mid-season."]
        circumference_cm = facts.trunk_circumference_mm / 10
        season = species.season_of(month) or "mid"
        target = target_by_trunk(
            species, circumference_cm, age_years=facts.age_years, season=season
        )
        return target, said
    return _by_spacing(limbs, area, species, facts)


def _by_spacing(
    limbs: Sequence[_Limb], area: Any, species: Species, facts: TreeFacts
) -> tuple[TreeTarget, list[str]]:
    length = np.array([limb.size.length_mm for limb in limbs])
    known = np.isfinite(length)
    if not known.any() or not (species.thinned and species.spacing_centre_mm.told):
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
