"""The limb: its line from base to tip, its thickness, and where the fruit hang on it."""

from __future__ import annotations

from fruitcount.limb.find import LimbSettings, find_limb, trace_between, with_caliper
from fruitcount.limb.position import PlaceSettings, place_fruitlets

__all__ = [
    "LimbSettings",
    "PlaceSettings",
    "find_limb",
    "place_fruitlets",
    "trace_between",
    "with_caliper",
]
