"""Which annotated photos training never sees, so that judging can ask for those alone."""

from __future__ import annotations

import hashlib

HELD_BACK_PERCENT = 15


def held_back(group: str, photo: str, percent: int = HELD_BACK_PERCENT) -> bool:
    """Whether a photo is held back from training.

    Parameters
    ----------
    group : str
        Name of the set (its folder).
    photo : str
        Name of the source photo, without tile number and ending.
    percent : int
        Share held back. What is held back at a share is so at every larger one.

    Returns
    -------
    bool
        Fixed by a hash of both names; true for about ``percent`` in 100.
    """
    digest = hashlib.sha256(f"fruitlet {group}/{photo}".encode()).digest()
    return int.from_bytes(digest[:4], "big") % 100 < percent
