"""What comes after the first pass: the second one, and the check whether it was enough."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

from fruitcount.errors import PhotoUnreadableError, RecordError
from fruitcount.flags import Flag, flag_sentences
from fruitcount.image.photo import read_photo
from fruitcount.pipeline import CountSettings, Result, decide, measure
from fruitcount.plan import AfterCheck, FirstPass, GrowerInputs, check_count, second_pass_inputs
from fruitcount.types import Photo

__all__ = ["check_photo", "count_again", "read_left_standing"]


def read_left_standing(path: Path) -> FirstPass:
    """What an earlier record says was to stay.

    Parameters
    ----------
    path : Path
        A record that :func:`fruitcount.export.record.write_record` wrote.

    Raises
    ------
    RecordError
        When it is not such a record.
    """
    try:
        record: Any = json.loads(path.read_text(encoding="utf-8"))
        kept = record["left_standing"]
        nan = float("nan")
        return FirstPass(
            kept_count=int(kept["kept_count"]),
            final_count=nan if kept["final_count"] is None else float(kept["final_count"]),
            length_mm=nan if kept["length_mm"] is None else float(kept["length_mm"]),
            species=str(kept["species"]),
        )
    except OSError as fault:
        raise RecordError(f"{path}: cannot be opened: {fault.strerror}") from fault
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as fault:
        raise RecordError(f"{path}: is not a record of a counted limb") from fault


def count_again(
    photo: Photo, first: FirstPass, settings: CountSettings, inputs: GrowerInputs
) -> tuple[Result, tuple[str, ...]]:
    """Second pass: the final count of the first one leads.

    Returns
    -------
    Result, and sentences on what changed since the first pass.
    """
    measurement = measure(photo, settings)
    if Flag.COUNT_UNKNOWN in measurement.flags:  # nothing is known of what fell since
        return Result(measurement, decide(measurement, replace(inputs, pass_number=2))), ()
    counted = int(measurement.fruitlets.counts_as_crop.sum())
    second, said = second_pass_inputs(inputs, first, counted)
    return Result(measurement, decide(measurement, second)), said


def check_photo(path: Path, record: Path, settings: CountSettings) -> AfterCheck:
    """Count a photo taken after the work and compare it with the record of the plan.

    Raises
    ------
    PhotoUnreadableError
        When the photo cannot be read, or the count cannot be told from it.
    RecordError
        When it is not a record of a counted limb.
    """
    measurement = measure(read_photo(path), settings)
    if Flag.COUNT_UNKNOWN in measurement.flags:
        raise PhotoUnreadableError(measurement.name, " ".join(flag_sentences(measurement.flags)))
    counted = int(measurement.fruitlets.counts_as_crop.sum())
    return check_count(read_left_standing(record).kept_count, counted)
