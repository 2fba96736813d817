"""Maps in, fruitlets out: circles, what each is, and how large."""

from __future__ import annotations

from fruitcount.detect.find import find_fruitlets
from fruitcount.detect.settings import SHIPPED_THRESHOLD, DetectSettings
from fruitcount.image.light import colour_doubt

__all__ = ["SHIPPED_THRESHOLD", "DetectSettings", "colour_doubt", "find_fruitlets"]
