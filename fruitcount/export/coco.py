"""Write counted photos as COCO object-detection json (open standard, cocodataset.org format)."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from fruitcount.coco_record import CocoPhoto, coco_object
from fruitcount.plan import GrowerInputs
from fruitcount.types import Measurement

__all__ = ["coco_record", "write_coco"]


def coco_record(
    measurement: Sequence[Measurement],
    inputs: Sequence[GrowerInputs | None] | None = None,
    *,
    automatic: Sequence[Measurement | None] | None = None,
) -> dict[str, Any]:
    """Photos, classes and one annotation a fruitlet, as COCO names them.

    Parameters
    ----------
    seen : sequence of Measurement
    inputs : sequence, optional
        The grower's answers of each photo, to be kept with it.
    automatic : sequence, optional
        What was seen before corrections by hand, for the photos that have some.

    Returns
    -------
    dict
        See :func:`fruitcount.coco_record.coco_object`.
    """
    told = inputs if inputs is not None else [None] * len(measurement)
    first = automatic if automatic is not None else [None] * len(measurement)
    return coco_object(
        [
            CocoPhoto(s, None if i is None else asdict(i), automatic=a)
            for s, i, a in zip(measurement, told, first, strict=True)
        ]
    )


def write_coco(
    measurement: Sequence[Measurement],
    path: str | Path,
    inputs: Sequence[GrowerInputs | None] | None = None,
    *,
    automatic: Sequence[Measurement | None] | None = None,
) -> Path:
    """Write one json for all photos (see :func:`coco_record`)."""
    target = Path(path)
    text = json.dumps(
        coco_record(measurement, inputs, automatic=automatic), indent=1, allow_nan=False
    )
    target.write_text(text, encoding="utf-8")
    return target
