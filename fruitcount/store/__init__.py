"""Records: trees, limbs, seasons, photos, corrections and decisions.

SQLite by a file name, PostgreSQL by a URL. Read in this order: ``tables`` (what there is, and
versions), ``base`` (opening), ``photos``, ``photo_record``, ``kept`` (the one edit log),
``orchard``, ``limbs``, ``archive`` and the folders (export and import), ``upkeep``.
"""

from fruitcount.store.archive import delete_unused_files, find_damage, read_archive, write_archive
from fruitcount.store.base import (
    RevisionConflictError,
    Store,
    data_folder,
    open_records,
    open_store,
)
from fruitcount.store.kept import Event, Records, record_count
from fruitcount.store.limbs import (
    HandCount,
    StoredLimb,
    delete_hand_counts,
    end_tuning,
    load_hand_counts,
    load_limbs,
    load_side_counts,
    load_tuning,
    save_hand_count,
    save_limb,
    save_side_count,
    save_tuning,
)
from fruitcount.store.open_folder import (
    read_coco_folder,
    read_csv_folder,
    write_coco_folder,
    write_csv_folder,
)
from fruitcount.store.orchard import (
    delete_tree,
    load_trees,
    save_season_facts,
    save_tree,
    season_history,
    tree_id_of,
)
from fruitcount.store.photo_record import (
    PhotoLine,
    PhotoRecord,
    list_photos,
    load_record,
    load_records,
    save_decision,
    save_measurement,
)
from fruitcount.store.photos import (
    PhotoPlace,
    delete_photo,
    photo_bytes,
    photo_file,
    save_photo,
    set_photo_place,
)

__all__ = [
    "Event", "HandCount", "PhotoLine", "PhotoPlace", "PhotoRecord", "Records",
    "RevisionConflictError", "Store", "StoredLimb", "data_folder", "delete_hand_counts",
    "delete_photo", "delete_tree", "delete_unused_files", "end_tuning", "find_damage",
    "list_photos", "load_hand_counts", "load_limbs", "load_record", "load_records",
    "load_side_counts", "load_trees", "load_tuning", "open_records", "open_store",
    "photo_bytes", "photo_file", "read_archive", "read_coco_folder", "read_csv_folder",
    "record_count", "save_decision", "save_hand_count", "save_limb", "save_measurement",
    "save_photo", "save_season_facts", "save_side_count", "save_tree", "save_tuning",
    "season_history", "set_photo_place", "tree_id_of", "write_archive", "write_coco_folder",
    "write_csv_folder",
]  # fmt: skip
