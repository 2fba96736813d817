"""Files of formats that write one a photo. Shared by the writers of boxes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from fruitcount.errors import BadInputError
from fruitcount.types import Measurement

__all__ = ["photo_stems", "write_each"]


def photo_stems(measurement: Sequence[Measurement]) -> list[str]:
    """File stem of each photo, for formats that write one file a photo.

    Raises
    ------
    BadInputError
        A photo has no name, or two would write the same file.
    """
    stems = [Path(s.name.replace("\\", "/")).stem for s in measurement]
    if "" in stems:
        raise BadInputError("a photo without a name cannot be written to a file of its own")
    twice = sorted({stem for stem in stems if stems.count(stem) > 1})
    if twice:
        raise BadInputError(f"photo names must differ without their ending, got {twice[0]!r} twice")
    return stems


def write_each(
    measurement: Sequence[Measurement],
    folder: str | Path,
    ending: str,
    text_of: Callable[[Measurement], str],
) -> list[Path]:
    """Write one UTF-8 text file a photo.

    Parameters
    ----------
    seen : sequence of Measurement
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
    stems = photo_stems(measurement)
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    written = [out / f"{stem}{ending}" for stem in stems]
    for path, photo in zip(written, measurement, strict=True):
        path.write_text(text_of(photo), encoding="utf-8")
    return written
