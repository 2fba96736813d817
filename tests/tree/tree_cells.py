"""How often stated 95 % intervals hold: ``python tests/tree/tree_cells.py`` (2,000 trees a cell).

Trees of 8 to 40 limbs whose crop for their wood differs by 30 to 60 % (gamma, Poisson in it), limbs
drawn by lot, photos that show 60 to 95 % of the fruit.
"""

from __future__ import annotations

import sys
from itertools import product

import numpy as np

from fruitcount.tree import (
    BothSides,
    apply_factor,
    both_sides_factor,
    csa_cm2,
    ratio_total,
    seen_to_true,
    simple_total,
)

CELLS = [
    (limbs, spread, seen, n)
    for limbs, spread, seen, n in product((8, 14, 40), (0.3, 0.6), (0.6, 0.95), (3, 4, 6, 10))
    if n < limbs
]


def cell(limbs_n, spread, seen_frac, sampled_n, *, trees, seed=5, fruit_per_cm2=6.0):
    """Shares of intervals that hold: fruit seen by wood and by number, and with six hand counts."""
    rng = np.random.default_rng(seed)
    held = np.zeros(3)
    for _ in range(trees):
        area = csa_cm2(rng.uniform(12, 45, limbs_n))
        true = rng.poisson(fruit_per_cm2 * area * rng.gamma(1 / spread**2, spread**2, limbs_n))
        photo = rng.binomial(true, seen_frac)
        pick = rng.choice(limbs_n, sampled_n, replace=False)
        by_wood = ratio_total(photo[pick], area[pick], all_area_cm2=area)
        by_number = simple_total(photo[pick], limbs_n=limbs_n)
        hand = rng.poisson(60, 6)
        total = apply_factor(by_wood, seen_to_true(rng.binomial(hand, seen_frac), hand))
        held += [
            by_wood.low_n <= photo.sum() <= by_wood.high_n,
            by_number.low_n <= photo.sum() <= by_number.high_n,
            total.low_n <= true.sum() <= total.high_n,
        ]
    return held / trees


def two_sides_cell(kind, *, trees, seed=9):
    """Shares of intervals that hold with eight limbs seen from both sides, and the mean error.

    ``even``: every fruit shows with 0.6; ``harder``: some are harder to see (beta, of that mean,
    spread 0.47 of it); ``opposite``: fruit that one side hides the other shows more likely.
    """
    rng = np.random.default_rng(seed)
    held, share = 0, []
    for _ in range(trees):
        area = csa_cm2(rng.uniform(12, 45, 14))
        true = rng.poisson(6 * area * rng.gamma(25, 1 / 25, 14))
        sides = [_sides(rng, kind, n) for n in rng.poisson(6 * csa_cm2(rng.uniform(20, 40, 8)))]
        pick = rng.choice(14, 6, replace=False)
        tree = ratio_total(rng.binomial(true[pick], 0.6), area[pick], all_area_cm2=area)
        factor = both_sides_factor(sides)
        got = apply_factor(tree, factor)
        held += got.low_n <= true.sum() <= got.high_n
        share.append(factor.value * 0.6)
    return held / trees, float(np.mean(share))


def _sides(rng, kind, n):
    chance = rng.beta(1.2, 0.8, n) if kind == "harder" else np.full(n, 0.6)
    front = rng.random(n) < chance
    back = rng.random(n) < (np.where(front, 0.52, 0.72) if kind == "opposite" else chance)
    return BothSides("x", int(front.sum()), int(back.sum()), int((front & back).sum()))


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print("limbs spread seen photographed: seen by wood, seen by number, with hand counts")
    for key in CELLS:
        print(*key, ":", " ".join(f"{x:.3f}" for x in cell(*key, trees=number)), flush=True)
    for kind in ("even", "harder", "opposite"):
        print("two sides", kind, *(f"{x:.3f}" for x in two_sides_cell(kind, trees=number)))
    for per_cm2 in (0.02, 0.1, 0.4):
        got = cell(14, 0.5, 0.8, 3, trees=number, fruit_per_cm2=per_cm2)
        print("nearly bare", per_cm2, " ".join(f"{x:.3f}" for x in got), flush=True)
