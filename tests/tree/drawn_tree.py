"""A tree of branches to walk on, and all walks that are possible on it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from fruitcount.tree.sampling import Walk, fork_chances


@dataclass(frozen=True)
class Branch:
    """A branch with the fruit on its own segment, and the branches it forks into.

    Attributes
    ----------
    fruit_n : float
        Fruit between its base and its first fork.
    size : float
        What the chance at the fork is proportional to: cross-section area, or 1 for all.
    forks : tuple of Branch
    """

    fruit_n: float
    size: float = 1.0
    forks: tuple[Branch, ...] = ()


def every_path(tree: Branch) -> Iterator[Walk]:
    """All walks that are possible; weighted by their chance their estimates average the truth."""
    stack: list[tuple[Branch, tuple[float, ...], tuple[float, ...]]] = [
        (tree, (tree.fruit_n,), (1.0,))
    ]
    while stack:
        here, fruit, chance = stack.pop()
        if not here.forks:
            yield Walk(fruit, chance)
            continue
        odds = fork_chances([b.size for b in here.forks])
        for b, q in zip(here.forks, odds, strict=True):
            stack.append((b, (*fruit, b.fruit_n), (*chance, float(q))))
