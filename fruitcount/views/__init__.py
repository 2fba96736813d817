"""Several photos of one limb: fruit told apart and joined, hidden ones estimated.

Reading order: ``places``, ``match``, ``join``, ``hidden``.
"""

from __future__ import annotations

from fruitcount.views.join import JoinedLimb, join_photos, joined_pair, joined_sides

__all__ = ["JoinedLimb", "join_photos", "joined_pair", "joined_sides"]
