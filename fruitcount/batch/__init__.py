"""Many photos: a folder to rows, rows to limbs, limbs to trees.

Read in this order: ``files``, ``ledger`` (what is done), ``worker`` (one photo), ``engines``
(where it runs), ``run``; then ``naming``, ``whose``, ``card_code``, ``read_code`` (whose photo),
``alike``, ``group``, ``trees``; ``job`` does it all.
The work itself is ``photo_row.count_photo``, imported only by who wants it.
"""

from fruitcount.batch.alike import bits_apart, look_hash, same_looks
from fruitcount.batch.card_code import code_text, place_by_code
from fruitcount.batch.engines import BatchSettings
from fruitcount.batch.files import file_hash, find_photos, settings_key
from fruitcount.batch.group import LimbCount, group_limbs
from fruitcount.batch.job import (
    FolderCount,
    compare_moments,
    count_folder,
    read_rows,
    write_rows,
)
from fruitcount.batch.ledger import FileLedger, Ledger
from fruitcount.batch.measured import MeasuredLedger, measurement_of
from fruitcount.batch.naming import (
    Place,
    place_by_card,
    place_by_folder,
    place_by_name,
    read_card_sheet,
    read_sheet,
)
from fruitcount.batch.run import BatchResult, Progress, run_batch
from fruitcount.batch.trees import TreeEstimate, estimate_trees
from fruitcount.batch.whole_tree import LimbSize, TreeFacts, TreePlan, plan_tree
from fruitcount.batch.whose import Naming

__all__ = [
    "BatchResult",
    "BatchSettings",
    "FileLedger",
    "FolderCount",
    "Ledger",
    "LimbCount",
    "LimbSize",
    "MeasuredLedger",
    "Naming",
    "Place",
    "Progress",
    "TreeEstimate",
    "TreeFacts",
    "TreePlan",
    "bits_apart",
    "code_text",
    "compare_moments",
    "count_folder",
    "estimate_trees",
    "file_hash",
    "find_photos",
    "group_limbs",
    "look_hash",
    "measurement_of",
    "place_by_card",
    "place_by_code",
    "place_by_folder",
    "place_by_name",
    "plan_tree",
    "read_card_sheet",
    "read_rows",
    "read_sheet",
    "run_batch",
    "same_looks",
    "settings_key",
    "write_rows",
]
