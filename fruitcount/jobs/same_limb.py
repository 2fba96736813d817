"""Several photos of one limb counted as one limb."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from fruitcount.export.picture import jpeg_bytes, legend, side_picture
from fruitcount.export.record import joined_coco, joined_record
from fruitcount.export.words import fruit_actions
from fruitcount.files import is_clip, written_whole
from fruitcount.image.clip import clip_photos
from fruitcount.image.photo import read_photo
from fruitcount.jobs.count import CountChoice, output_stem
from fruitcount.pipeline import Result, decide, measure
from fruitcount.types import Photo
from fruitcount.views import JoinedLimb, join_photos

TRIED = (
    "Joining was tried on drawn limbs only: about one pair in eight joins two different fruit, and "
    "a fruit may have two numbers. Compare the pictures before you cut; the range tells how many "
    "fruit there are better than the numbers do. Marks that one photo alone shows are left out "
    "where they are hardly a fruit."
)


def count_same_limb(
    paths: Sequence[Path], choice: CountChoice, progress: Callable[[int, int], None] | None = None
) -> tuple[JoinedLimb, Result, list[Path]]:
    """Measure photos of one limb, join them, decide once; write a picture a side and one record.

    Of a clip the sharpest frames are taken for photos; those that cannot be joined are left out.

    Raises
    ------
    OtherLimbError
        When the photos do not look like one limb.
    BadInputError, PhotoUnreadableError, NotWrittenError
        Nothing is left behind then.
    """
    files = [(photo, path) for path in paths for photo in _photos_of(path, progress)]
    measured = []
    for photo, _ in files:
        measured.append(measure(photo, choice.settings))
        if progress:
            progress(len(measured), len(files))
    joined = join_photos(measured, every=not any(is_clip(path) for path in paths))
    files = [files[k] for k, one in enumerate(measured) if one in joined.photos]
    result = Result(joined.measurement, decide(joined.measurement, choice.inputs))
    return joined, result, write_joined(files, joined, result, choice)


def write_joined(
    files: Sequence[tuple[Photo, Path]], joined: JoinedLimb, result: Result, choice: CountChoice
) -> list[Path]:
    """Write a picture a side, the same number on the same fruit, and one record of the limb.

    `files` are the joined limb's photos in its order, each with the file that names its own.
    """
    actions = fruit_actions(joined.measurement.fruitlets, result.decision.plan)
    with written_whole(choice.folder) as draft:
        for k, (photo, path) in enumerate(files):
            if choice.picture:
                picture = side_picture(photo.rgb, k, joined, actions)
                picture = np.vstack([picture, legend(result, picture.shape[1])])
                side = draft / f"{output_stem(path)}_side{k + 1}.jpg"
                side.write_bytes(jpeg_bytes(picture))
        records = {"limb.json": joined_record(joined, result)}
        if "coco" in choice.also:
            records["limb_coco.json"] = joined_coco(joined, result)
        for ending, record in records.items():
            text = json.dumps(record, indent=1, allow_nan=False) + "\n"
            stem = output_stem(files[joined.base][1])
            (draft / f"{stem}_{ending}").write_text(text, encoding="utf-8")
        names = sorted(file.name for file in draft.iterdir())
    return [choice.folder / name for name in names]


def _photos_of(path: Path, progress: Callable[[int, int], None] | None) -> list[Photo]:
    return clip_photos(path, progress) if is_clip(path) else [read_photo(path)]


def same_limb_lines(joined: JoinedLimb) -> list[str]:
    """What was put together, and how far to trust it."""
    seen = joined.own_seen_on
    each = ", ".join(
        f"{int((rows >= 0).sum())} on {photo.name}"
        for photo, rows in zip(joined.photos, joined.fruit, strict=True)
    )
    low, high = joined.measurement.count_range_n
    return [
        f"One limb from {len(joined.photos)} photos: about {joined.likely_n:.0f} fruit hang there, "
        f"yellowing and hidden ones too ({low:.0f} to {high:.0f} are likely). {len(seen)} of them "
        f"are numbered ({each}), {int((seen > 1).sum())} are on more than one photo.",
        TRIED,
    ]
