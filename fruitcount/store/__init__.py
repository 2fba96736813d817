"""Records: trees, limbs, seasons, photos, corrections and decisions.

SQLite by a file name, PostgreSQL by a URL. Read in this order: ``tables`` (what there is),
``schema`` (versions), ``base`` (opening), ``photos``, ``sheets``, ``orchard``, ``ledger``,
``archive`` (export and import), ``upkeep``.
"""

from fruitcount.measurement_record import measurement_from_dict, measurement_to_dict
from fruitcount.store.archive import read_archive, write_archive
from fruitcount.store.base import RevisionConflictError, Store, open_store
from fruitcount.store.coco_folder import read_coco_folder, write_coco_folder
from fruitcount.store.coco_marks import marks_from_coco, read_coco_photos
from fruitcount.store.csv_folder import read_csv_folder, write_csv_folder
from fruitcount.store.ledger import StoreLedger
from fruitcount.store.orchard import (
    HandCount,
    StoredLimb,
    delete_hand_counts,
    delete_limb,
    delete_tree,
    load_hand_counts,
    load_limbs,
    load_trees,
    save_hand_count,
    save_limb,
    save_season_facts,
    save_tree,
    season_history,
    tree_id_of,
)
from fruitcount.store.photos import (
    PhotoPlace,
    delete_photo,
    delete_unused_files,
    photo_bytes,
    photo_file,
    save_photo,
    set_photo_place,
)
from fruitcount.store.place import data_folder, open_records
from fruitcount.store.sheets import (
    Sheet,
    append_edits,
    list_photos,
    load_sheet,
    load_sheets,
    redo,
    save_decision,
    save_measurement,
    undo,
)
from fruitcount.store.side_counts import load_side_counts, save_side_count
from fruitcount.store.tuning import StoredTuning, end_tuning, load_tuning, save_tuning
from fruitcount.store.upkeep import backup, find_damage

__all__ = [
    "HandCount",
    "PhotoPlace",
    "RevisionConflictError",
    "Sheet",
    "Store",
    "StoreLedger",
    "StoredLimb",
    "StoredTuning",
    "append_edits",
    "backup",
    "data_folder",
    "delete_hand_counts",
    "delete_limb",
    "delete_photo",
    "delete_tree",
    "delete_unused_files",
    "end_tuning",
    "find_damage",
    "list_photos",
    "load_hand_counts",
    "load_limbs",
    "load_sheet",
    "load_sheets",
    "load_side_counts",
    "load_trees",
    "load_tuning",
    "marks_from_coco",
    "measurement_from_dict",
    "measurement_to_dict",
    "open_records",
    "open_store",
    "photo_bytes",
    "photo_file",
    "read_archive",
    "read_coco_folder",
    "read_coco_photos",
    "read_csv_folder",
    "redo",
    "save_decision",
    "save_hand_count",
    "save_limb",
    "save_measurement",
    "save_photo",
    "save_season_facts",
    "save_side_count",
    "save_tree",
    "save_tuning",
    "season_history",
    "set_photo_place",
    "tree_id_of",
    "undo",
    "write_archive",
    "write_coco_folder",
    "write_csv_folder",
]
