"""What comes after the first pass: the second one, and the check whether it was enough."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

from fruitcount.errors import OtherLimbError, PhotoUnreadableError, RecordError
from fruitcount.flags import Flag, flag_sentences
from fruitcount.image.photo import read_photo
from fruitcount.pipeline import CountSettings, Result, decide, measure
from fruitcount.plan import (
    AfterCheck,
    FirstPass,
    GrowerInputs,
    check_count,
    other_limb_words,
    second_pass_inputs,
)
from fruitcount.types import Photo


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

        def number(key: str) -> float:
            return nan if kept.get(key) is None else float(kept[key])

        return FirstPass(
            kept_count=int(kept["kept_count"]),
            final_count=number("final_count"),
            length_mm=number("length_mm"),
            species=str(kept["species"]),
            # Records of earlier versions do not hold the rest.
            plan_choice=str(kept.get("plan_choice", "quick")),
            left_length_mm=number("left_length_mm"),
            left_forks_mm=tuple(float(x) for x in kept.get("left_forks_mm", ())),
            left_fruit_mm=tuple(float(x) for x in kept.get("left_fruit_mm", ())),
            base_diameter_mm=number("base_diameter_mm"),
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
    OtherLimbError
        When the photo shows another limb.
    """
    measurement = measure(read_photo(path), settings)
    if Flag.COUNT_UNKNOWN in measurement.flags:
        raise PhotoUnreadableError(measurement.name, " ".join(flag_sentences(measurement.flags)))
    first = read_left_standing(record)
    other = other_limb_words(first, measurement.fruitlets, measurement.limb)
    if other:
        raise OtherLimbError(f"{measurement.name}: not the limb of {record.name}: {other}")
    return check_count(first.kept_count, int(measurement.fruitlets.counts_as_crop.sum()))
