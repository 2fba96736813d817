"""From a file to arrays: the photo, its quality, and its scale."""

from __future__ import annotations

from fruitcount.image.card import CARD_SIDES_MM, card_side_mm, find_card
from fruitcount.image.photo import MAX_PIXELS, read_photo
from fruitcount.image.quality import photo_quality
from fruitcount.image.references import (
    DISC_DIAMETERS_MM,
    scale_from_bank_card,
    scale_from_disc,
    scale_from_fruit,
    scale_from_limb_length,
    scale_from_points,
)

__all__ = [
    "CARD_SIDES_MM",
    "DISC_DIAMETERS_MM",
    "MAX_PIXELS",
    "card_side_mm",
    "find_card",
    "photo_quality",
    "read_photo",
    "scale_from_bank_card",
    "scale_from_disc",
    "scale_from_fruit",
    "scale_from_limb_length",
    "scale_from_points",
]
