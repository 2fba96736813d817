"""The one number that the maps, and the marks found on them, agree on."""

from __future__ import annotations

__all__ = ["FRUIT_PX"]

FRUIT_PX = 26.0
"""Width of a usual (15 mm) fruitlet on the working grid, in working pixels."""
