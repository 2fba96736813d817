"""From counted limbs to one tree's answer: estimate, target, shares, what to photograph next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fruitcount.batch.tree_count import limbs_of_tree, tree_count
from fruitcount.batch.tree_facts import LimbSize, TreeFacts
from fruitcount.batch.tree_goal import target_of
from fruitcount.load import harvest_mass_g
from fruitcount.plan.fruit_size import size_code
from fruitcount.species import load_species
from fruitcount.tree import LimbFacts, TreeSheet, csa_cm2, tree_sheet

__all__ = ["LimbSize", "TreeAnswer", "TreeFacts", "limbs_of_tree", "tree_answer"]


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
        Photograph these next; see ``surer``.
    surer : str
        What would halve the interval, in a sentence; empty when nothing is left to do.
    fruit_g : float
        Weight taken for one ripe fruit.
    size_class : str
        Trade size code of the wanted ripe size; empty where the species has none.
    true_per_seen : float
        What the hand counts say, else the limbs seen from both sides; 1 without any.
    notes : tuple of str
        What had to be assumed.
    """

    tree: str
    sheet: TreeSheet
    files: Mapping[str, tuple[str, ...]]
    next_limbs: tuple[str, ...]
    surer: str
    fruit_g: float
    size_class: str
    true_per_seen: float
    notes: tuple[str, ...]


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
    count = tree_count(rows, tree, facts)
    limbs, area = count.limbs, csa_cm2([x.size.base_diameter_mm for x in count.limbs])
    fruit_g = harvest_mass_g(species, facts.harvest_diameter_mm)
    target, remarks = target_of(limbs, area, species, facts, fruit_g)
    times = count.true_per_seen
    sheet = tree_sheet(
        [LimbFacts(x.name, float(a), x.count_n * times) for x, a in zip(limbs, area, strict=True)],
        count.total,
        target=target,
        pace_n_per_min=facts.pace_n_per_min,
        fruit_g=fruit_g,
    )
    wanted = facts.harvest_diameter_mm or species.harvest_diameter_mm.number
    code = size_code(species, wanted) if species.size_codes else ""
    return TreeAnswer(
        tree, sheet, count.files, count.next_limbs, count.surer, fruit_g, code, times,
        (*count.notes, *remarks),
    )  # fmt: skip
