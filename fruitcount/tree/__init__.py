"""From a few limbs to the whole tree: estimates, target, shares and work.

Read in this order: ``estimate`` (the answer's type), ``ratio``, ``branch``, ``sample`` (three
ways to it), ``calibration`` (seen to true), ``both_sides`` (the same without hand counts),
``more`` (what to photograph next), ``target``, ``labour``, ``sheet``.
"""

from fruitcount.tree.both_sides import BothSides, both_sides_factor, both_sides_lines
from fruitcount.tree.branch import (
    Branch,
    Path,
    draw_fork,
    every_path,
    fork_chances,
    paths_total,
    walk,
)
from fruitcount.tree.calibration import (
    Factor,
    TwoSides,
    apply_factor,
    factor_share,
    seen_to_true,
    two_sides,
    two_sides_sum,
)
from fruitcount.tree.estimate import Estimate
from fruitcount.tree.labour import Work, thinning_work
from fruitcount.tree.more import (
    MoreLimbs,
    limbs_to_halve,
    more_paths,
    next_by_group,
    next_limbs,
)
from fruitcount.tree.ratio import csa_cm2, ratio_total
from fruitcount.tree.sample import LimbGroup, grouped_total, simple_total
from fruitcount.tree.sheet import LimbFacts, LimbShare, TreeSheet, tree_sheet
from fruitcount.tree.target import (
    TreeTarget,
    share_by_area,
    target_by_crates,
    target_by_dry_weight,
    target_by_spacing,
    target_by_trunk,
    trees_per_acre,
    trunk_area_cm2,
)

__all__ = [
    "BothSides",
    "Branch",
    "Estimate",
    "Factor",
    "LimbFacts",
    "LimbGroup",
    "LimbShare",
    "MoreLimbs",
    "Path",
    "TreeSheet",
    "TreeTarget",
    "TwoSides",
    "Work",
    "apply_factor",
    "both_sides_factor",
    "both_sides_lines",
    "csa_cm2",
    "draw_fork",
    "every_path",
    "factor_share",
    "fork_chances",
    "grouped_total",
    "limbs_to_halve",
    "more_paths",
    "next_by_group",
    "next_limbs",
    "paths_total",
    "ratio_total",
    "seen_to_true",
    "share_by_area",
    "simple_total",
    "target_by_crates",
    "target_by_dry_weight",
    "target_by_spacing",
    "target_by_trunk",
    "thinning_work",
    "tree_sheet",
    "trees_per_acre",
    "trunk_area_cm2",
    "two_sides",
    "two_sides_sum",
    "walk",
]
