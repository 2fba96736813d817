"""What a tree's counts are to be multiplied by, from hand counts or limbs seen from both sides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from fruitcount.batch.group import LimbCount
from fruitcount.batch.tree_facts import TreeFacts
from fruitcount.tree import Factor, both_sides_factor, both_sides_lines, seen_to_true

__all__ = ["as_factor_takes", "seen_factor"]


def as_factor_takes(counted: Sequence[LimbCount], facts: TreeFacts) -> list[LimbCount]:
    """Limbs counted as the factor takes them.

    One from limbs seen from both sides holds for one side: a limb on photos from both then counts
    as their mean, not as the better of them.
    """
    if facts.seen_true or not facts.both_sides:
        return list(counted)
    # of two sides, the upper end is both added
    return [
        replace(x, count_n=x.high_n / 2, how="the mean of front and back")
        if x.var_n2 == 0 and x.low_n < x.high_n
        else x
        for x in counted
    ]


def seen_factor(facts: TreeFacts) -> tuple[Factor | None, tuple[str, ...]]:
    """What the photos' counts are to be multiplied by, and what is to be said of it.

    Parameters
    ----------
    facts : TreeFacts
        Hand counts lead; the limbs seen from both sides come after. None without either.
    """
    lines = both_sides_lines(facts.both_sides) if facts.both_sides else ()
    if facts.seen_true:
        if lines:
            lines = (*lines, "The limbs counted by hand lead: for the tree's total only they are "
                     "used, not the limbs seen from both sides.")  # fmt: skip
        by_hand = seen_to_true([s for s, _ in facts.seen_true], [t for _, t in facts.seen_true])
        return by_hand, lines
    if not facts.both_sides:
        return None, ()
    factor = both_sides_factor(facts.both_sides)
    span = f" ({factor.low:.2f} to {factor.high:.2f})" if factor.limbs_n > 1 else ""
    return factor, (*lines, "For each fruit seen on one side (the mean of front and back) so many "
                    f"are there: {factor.value:.2f}{span}.")  # fmt: skip
