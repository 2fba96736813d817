"""A large picture looked at band after band: the net's memory is that of one band.

The bands overlap, because near a cut the net answers a little otherwise than inside the picture.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fruitcount.fruitlets import F32, Pixels

MOST_AT_ONCE = 2.1e6
"""Largest picture, in pixels, that the net sees in one go: it holds about 135 bytes a pixel."""

HALO_PX = 256
"""What a band sees beyond what it tells. On 16 samples cut in two, the heatmap this far from
the cut differed by at most 0.003 from that of the whole picture; at 192 by 0.03, at 96 by 0.07."""

STEP_PX = 32
"""The net's coarsest cell: bands begin at multiples, or the cells would lie otherwise."""


@dataclass(frozen=True)
class Band:
    """A stretch of rows or columns.

    Attributes
    ----------
    start_px, stop_px : int
        What the net looks at.
    told_from_px, told_to_px : int
        What is kept of its answer; these of all bands lie end to end.
    """

    start_px: int
    stop_px: int
    told_from_px: int
    told_to_px: int


def bands_of(long_px: int, short_px: int, *, most_px: float = MOST_AT_ONCE) -> list[Band]:
    """Cut a picture across its long side, into as few bands as hold to ``most_px``.

    Parameters
    ----------
    long_px, short_px : int
        Sides of the picture, the long one a multiple of 32.
    most_px : float
        Largest band, in pixels. Raising it takes more memory and, with fewer bands, less time.

    Returns
    -------
    list of Band
        All equally long, so that the net keeps its memory from one to the next.
    """
    for count in range(1, long_px // STEP_PX + 1):
        told = -(-long_px // (count * STEP_PX)) * STEP_PX
        length = min(long_px, told + HALO_PX * min(count - 1, 2))
        if length * short_px <= most_px:
            break
    seams = range(0, long_px, told)
    starts = [min(max(0, seam - HALO_PX), long_px - length) for seam in seams]
    return [
        Band(start, start + length, seam, min(seam + told, long_px))
        for start, seam in zip(starts, seams, strict=True)
    ]


def in_bands(
    look: Callable[[Pixels], F32], picture: Pixels, *, stride_px: int, most_px: float = MOST_AT_ONCE
) -> F32:
    """What ``look`` answers for the whole picture, asked band by band.

    Parameters
    ----------
    look : callable
        Takes a picture, returns channels of shape (n, rows / stride_px, columns / stride_px).
    picture : uint8 array, shape (rows, columns, 3)
        Sides multiples of 32.
    stride_px : int
        Picture pixels a cell of the answer.
    most_px : float
        See :func:`bands_of`.

    Returns
    -------
    float32 array
        As ``look`` would answer the whole.
    """
    rows, cols = picture.shape[:2]
    wide = cols >= rows
    told = []
    for band in bands_of(max(rows, cols), min(rows, cols), most_px=most_px):
        seen, kept = slice(band.start_px, band.stop_px), _cells(band, stride_px)
        out = look(picture[:, seen] if wide else picture[seen])
        told.append(out[..., kept] if wide else out[:, kept])
    return told[0] if len(told) == 1 else np.concatenate(told, axis=2 if wide else 1)


def _cells(band: Band, stride_px: int) -> slice:
    first = band.told_from_px - band.start_px
    return slice(first // stride_px, (first + band.told_to_px - band.told_from_px) // stride_px)
