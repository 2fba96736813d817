"""The limb: its line from base to tip, its thickness, and where the fruit hang on it."""

from __future__ import annotations

from fruitcount.limb.find import find_limb, trace_between
from fruitcount.limb.position import PlaceSettings, doubts_by_fruit, place_fruitlets
from fruitcount.limb.result import LimbSettings, with_caliper

__all__ = [
    "LimbSettings",
    "PlaceSettings",
    "doubts_by_fruit",
    "find_limb",
    "place_fruitlets",
    "trace_between",
    "with_caliper",
]
