"""The open pattern that scale cards carry: ArUco's 4 x 4 cells with 50 numbers."""

from __future__ import annotations

from typing import Any

from fruitcount.image.opencv import cv2

__all__ = ["PATTERN_NAME", "card_pattern"]

PATTERN_NAME = "DICT_4X4_50"
"""The library's own name for it; printed on the sheet, so that any reader of markers can be set."""


def card_pattern() -> Any:
    """OpenCV's dictionary of the pattern."""
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, PATTERN_NAME))
