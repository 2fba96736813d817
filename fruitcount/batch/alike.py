"""Photos that look the same: a hash of the picture, not of the file.

A cosine transform of a small grey copy; the signs of its slow waves against their median make
the bits (C. Zauner, "Implementation and benchmarking of perceptual image hash functions", 2010,
from memory). Saving again, shrinking or a little more light barely change it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fruitcount.errors import BadInputError
from fruitcount.image.opencv import cv2

__all__ = ["SAME_BITS", "bits_apart", "look_hash", "same_looks"]

_SIDE = 16
# Of 256 bits. Measured on 14 photos of peach limbs: shrunk and saved again at most 4 differ,
# lightened 8, darkened 12; between different photos, and between 47 of cherry trees, at least 100.
SAME_BITS = 32


def look_hash(rgb: NDArray[np.uint8]) -> str:
    """64 hex letters that change little when the photo is saved again or shrunk.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)
    """
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    small = cv2.resize(grey, (_SIDE * 4, _SIDE * 4), interpolation=cv2.INTER_AREA)
    waves = cv2.dct(small.astype(np.float32))[:_SIDE, :_SIDE].ravel()
    bits = waves > np.median(waves[1:])
    return np.packbits(bits).tobytes().hex()


def bits_apart(one: str, two: str) -> int:
    """How many of the 256 bits differ."""
    if len(one) != len(two):
        raise BadInputError(f"hashes must be of one length, got {len(one)} and {len(two)}")
    return (int(one, 16) ^ int(two, 16)).bit_count()


def same_looks(hashes: Sequence[str], *, within_bits: int = SAME_BITS) -> list[int]:
    """For each photo the index of the first earlier one that looks the same, or its own.

    Parameters
    ----------
    hashes : sequence of str
        From :func:`look_hash`; an empty one is like no other.
    within_bits : int
        Raising it takes more photos for the same.
    """
    out: list[int] = []
    firsts: list[int] = []
    for i, h in enumerate(hashes):
        match = i
        if h:
            match = next((j for j in firsts if bits_apart(hashes[j], h) <= within_bits), i)
        if match == i and h:
            firsts.append(i)
        out.append(match)
    return out
