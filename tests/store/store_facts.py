"""An invented tree that fills every column."""

from datetime import date

from fruitcount.season.orchard import OrchardTree

TREE = OrchardTree(
    "Old one", "peach", "grandmother's", "South", "seedling", "leans", 1999, 412.5, 8, False,
    date(2026, 3, 20), date(2026, 5, 1), None, False, 18.5,
)  # fmt: skip
