"""Circles as boxes, the way annotation standards want them. Shared by the three writers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fruitcount.errors import BadInputError
from fruitcount.types import FloatArray, Kind, Seen

__all__ = ["KIND_NAMES", "edge_boxes", "photo_stems", "write_each"]

KIND_NAMES: tuple[str, ...] = tuple(kind.name.lower() for kind in Kind)
"""Class names in the order of :class:`fruitcount.types.Kind`."""


def edge_boxes(seen: Seen) -> tuple[FloatArray, NDArray[np.intp]]:
    """Boxes around the circles, cut at the photo's outer edge.

    Parameters
    ----------
    seen : Seen

    Returns
    -------
    boxes : array, shape (N, 4)
        Left, top, right, bottom, measured from the photo's outer top-left corner: the left edge
        of pixel 0 is 0, the right edge of the last pixel is the width.
    index : int array, shape (N,)
        Which fruitlet each box is; circles wholly outside the photo have none.
    """
    f = seen.fruitlets
    # From "centre of pixel 0 is 0" to "outer edge of pixel 0 is 0".
    x, y = f.x_px + 0.5, f.y_px + 0.5
    raw = np.column_stack([x - f.r_px, y - f.r_px, x + f.r_px, y + f.r_px])
    limits = np.array([seen.width_px, seen.height_px] * 2, np.float64)
    boxes = np.clip(raw, 0, limits)
    inside = (boxes[:, 2] > boxes[:, 0]) & (boxes[:, 3] > boxes[:, 1])
    return boxes[inside], np.nonzero(inside)[0]


def photo_stems(seen: Sequence[Seen]) -> list[str]:
    """File stem of each photo, for formats that write one file a photo.

    Raises
    ------
    BadInputError
        A photo has no name, or two would write the same file.
    """
    stems = [Path(s.name.replace("\\", "/")).stem for s in seen]
    if "" in stems:
        raise BadInputError("a photo without a name cannot be written to a file of its own")
    twice = sorted({stem for stem in stems if stems.count(stem) > 1})
    if twice:
        raise BadInputError(f"photo names must differ without their ending, got {twice[0]!r} twice")
    return stems


def write_each(
    seen: Sequence[Seen], folder: str | Path, ending: str, text_of: Callable[[Seen], str]
) -> list[Path]:
    """Write one UTF-8 text file a photo.

    Parameters
    ----------
    seen : sequence of Seen
    folder : path
        Made if it is not there.
    ending : str
        Of the files, with its dot.
    text_of : callable
        A photo's text.

    Raises
    ------
    BadInputError
        Two photos would write the same file; nothing is written then.
    """
    stems = photo_stems(seen)
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    written = [out / f"{stem}{ending}" for stem in stems]
    for path, photo in zip(written, seen, strict=True):
        path.write_text(text_of(photo), encoding="utf-8")
    return written
