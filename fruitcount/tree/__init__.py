"""Many photos of one tree or more: a folder to rows, rows to limbs, limbs to a tree's plan.

Read in this order: ``photos``, ``checkpoint`` (what is done), ``engines`` (where it runs), ``run``,
``photo_row`` (the work on one photo); ``assignment``, ``card_code`` (whose photo); ``group``,
``folder`` (all of it); ``estimate``, ``walks``, ``calibration``, ``both_sides``, ``advice``
(numbers from a few limbs); ``facts``, ``count``, ``target``, ``sheet``, ``plan`` (one tree).
"""

from fruitcount.tree.advice import limbs_to_halve, more_paths, next_by_group, next_limbs
from fruitcount.tree.assignment import (
    Naming,
    Place,
    place_by_card,
    place_by_folder,
    place_by_name,
    read_card_sheet,
    read_sheet,
)
from fruitcount.tree.both_sides import BothSides, both_sides_factor, both_sides_lines
from fruitcount.tree.calibration import apply_factor, factor_share, seen_to_true, two_sides
from fruitcount.tree.card_code import code_text, place_by_code
from fruitcount.tree.checkpoint import FileLedger, MeasuredLedger, measurement_of
from fruitcount.tree.engines import BatchSettings
from fruitcount.tree.estimate import (
    Estimate,
    LimbGroup,
    csa_cm2,
    grouped_total,
    ratio_total,
    simple_total,
)
from fruitcount.tree.folder import (
    FolderCount,
    TreeEstimate,
    compare_moments,
    count_folder,
    estimate_trees,
    read_rows,
    write_rows,
)
from fruitcount.tree.group import group_limbs
from fruitcount.tree.photos import bits_apart, find_photos, look_hash, same_looks, settings_key
from fruitcount.tree.plan import LimbSize, TreeFacts, TreePlan, plan_tree
from fruitcount.tree.run import Progress, run_batch
from fruitcount.tree.sheet import LimbFacts, TreeSheet, Work, thinning_work, tree_sheet
from fruitcount.tree.target import (
    TreeTarget,
    share_by_area,
    target_by_crates,
    target_by_spacing,
    target_by_trunk,
    trunk_area_cm2,
)
from fruitcount.tree.walks import Walk, draw_fork, paths_total

__all__ = [
    "BatchSettings",
    "BothSides",
    "Estimate",
    "FileLedger",
    "FolderCount",
    "LimbFacts",
    "LimbGroup",
    "LimbSize",
    "MeasuredLedger",
    "Naming",
    "Place",
    "Progress",
    "TreeEstimate",
    "TreeFacts",
    "TreePlan",
    "TreeSheet",
    "TreeTarget",
    "Walk",
    "Work",
    "apply_factor",
    "bits_apart",
    "both_sides_factor",
    "both_sides_lines",
    "code_text",
    "compare_moments",
    "count_folder",
    "csa_cm2",
    "draw_fork",
    "estimate_trees",
    "factor_share",
    "find_photos",
    "group_limbs",
    "grouped_total",
    "limbs_to_halve",
    "look_hash",
    "measurement_of",
    "more_paths",
    "next_by_group",
    "next_limbs",
    "paths_total",
    "place_by_card",
    "place_by_code",
    "place_by_folder",
    "place_by_name",
    "plan_tree",
    "ratio_total",
    "read_card_sheet",
    "read_rows",
    "read_sheet",
    "run_batch",
    "same_looks",
    "seen_to_true",
    "settings_key",
    "share_by_area",
    "simple_total",
    "target_by_crates",
    "target_by_spacing",
    "target_by_trunk",
    "thinning_work",
    "tree_sheet",
    "trunk_area_cm2",
    "two_sides",
    "write_rows",
]
