"""Several photos of one limb counted as one limb."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from fruitcount.export.picture import write_side
from fruitcount.export.record import joined_coco, joined_record
from fruitcount.files import written_whole
from fruitcount.image.photo import read_photo
from fruitcount.jobs.count import OutputChoice, output_stem
from fruitcount.pipeline import CountSettings, Result, decide, measure
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.views import JoinedLimb, join_photos

TRIED = (
    "Joining was tried on drawn limbs only: about one pair in six joins two different fruit. "
    "Compare the numbers on the pictures before you cut. The range below counts in fruit that no "
    "photo shows."
)


def count_same_limb(
    paths: Sequence[Path],
    choice: OutputChoice,
    settings: CountSettings | None = None,
    inputs: GrowerInputs | None = None,
) -> tuple[JoinedLimb, Result, list[Path]]:
    """Measure photos of one limb, join them, decide once; write a picture a side and one record.

    Raises
    ------
    OtherLimbError
        When the photos do not look like one limb.
    BadInputError, PhotoUnreadableError, NotWrittenError
        Nothing is left behind then.
    """
    photos = [read_photo(path) for path in paths]
    joined = join_photos([measure(photo, settings) for photo in photos])
    result = Result(joined.measurement, decide(joined.measurement, inputs))
    stems = [output_stem(path) for path in paths]
    with written_whole(choice.folder) as draft:
        for k, (photo, stem) in enumerate(zip(photos, stems, strict=True)):
            if choice.picture:
                write_side(draft / f"{stem}_side{k + 1}.jpg", photo, k, joined, result)
        records = {"limb.json": joined_record(joined, result)}
        if "coco" in choice.also:
            records["limb_coco.json"] = joined_coco(joined, result)
        for ending, record in records.items():
            text = json.dumps(record, indent=1, allow_nan=False) + "\n"
            (draft / f"{stems[joined.base]}_{ending}").write_text(text, encoding="utf-8")
        names = sorted(file.name for file in draft.iterdir())
    return joined, result, [choice.folder / name for name in names]


def same_limb_lines(joined: JoinedLimb) -> list[str]:
    """What was put together, and how far to trust it."""
    seen = joined.seen_on[joined.measurement.fruitlets.on_limb != 0]
    each = ", ".join(
        f"{int((rows >= 0).sum())} on {photo.name}"
        for photo, rows in zip(joined.photos, joined.fruit, strict=True)
    )
    may = f"; {joined.possible_n} more may be, and count twice" if joined.possible_n else ""
    return [
        f"One limb from {len(joined.photos)} photos: {len(seen)} different fruit, yellowing "
        f"ones too ({each}). {int((seen > 1).sum())} are on more than one photo{may}.",
        TRIED,
    ]
