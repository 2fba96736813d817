"""What the corrections of a photo make of its automatic result, and the step to other marks."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from fruitcount.corrections.apply import (
    KIND_WORDS,
    apply_corrections,
    fruitlets_of,
    limb_along,
    replayed,
    scale_of,
    unmeasured_limb,
)
from fruitcount.corrections.edits import (
    MIN_RADIUS_PX,
    Add,
    Change,
    Edit,
    Many,
    Mark,
    Point,
    Remove,
    Sheet,
    edit_to_json,
)
from fruitcount.errors import FruitcountError
from fruitcount.image.photo import read_photo
from fruitcount.store.photo_record import replay_edits
from fruitcount.store.tables import EditRow
from fruitcount.types import Fruitlets, Limb, Measurement


def corrected(
    measurement: Measurement,
    steps: Sequence[EditRow],
    measure_line: Callable[[tuple[Point, ...]], Limb] | None = None,
    inputs: Mapping[str, Any] | None = None,
) -> Measurement | None:
    """A photo's result as corrected by hand, the same that the screen shows.

    Parameters
    ----------
    measurement : Measurement
        The automatic result that the corrections started from.
    steps : sequence of EditRow
        All steps, those taken back included, in order.
    measure_line : callable, optional
        See :func:`fruitcount.corrections.apply_corrections`.
    inputs : mapping, optional
        The grower's answers; caliper readings among them are used.

    Returns
    -------
    Measurement or None
        None where no step is in force, or one is not of the screen's making.
    """
    sheet = _sheet(measurement, steps)
    return None if sheet is None else with_answers(measurement, sheet, measure_line, inputs)


def with_answers(
    measurement: Measurement,
    sheet: Sheet,
    measure_line: Callable[[tuple[Point, ...]], Limb] | None,
    inputs: Mapping[str, Any] | None,
) -> Measurement:
    """The corrected measurement, with the caliper readings among the grower's answers."""
    typed = inputs or {}
    return apply_corrections(
        measurement,
        sheet,
        measure_line,
        base_diameter_mm=typed.get("base_diameter_mm"),
        tip_diameter_mm=typed.get("tip_diameter_mm"),
    )


def line_on_photo(path: Path, line: tuple[Point, ...]) -> Limb:
    """A line drawn by hand, measured on the photo where its file is there."""
    try:
        return limb_along(read_photo(path), line)
    except FruitcountError:
        return unmeasured_limb(line)


def _sheet(measurement: Measurement, steps: Sequence[EditRow]) -> Sheet | None:
    try:
        done, _ = replay_edits(steps)
        if not done:
            return None
        return replayed(measurement, (body for step in done for body in step.body))
    except FruitcountError:
        return None


def step_to(
    found: Fruitlets, measurement: Measurement, steps: Sequence[EditRow]
) -> dict[str, Any] | None:
    """The edit, as JSON, that leads from a photo's corrected marks to others; None where equal.

    Parameters
    ----------
    found : Fruitlets
        Marks as they are to be, such as another program left them.
    seen : Measurement
        The automatic result.
    steps : sequence of EditRow
        All steps so far.
    """
    sheet = _sheet(measurement, steps)
    if sheet is None:
        return None
    now = fruitlets_of(measurement, sheet, scale_of(measurement, sheet.scale))
    left: dict[tuple[float, ...], list[int]] = {}
    for i in range(len(now)):
        left.setdefault(_place(now, i), []).append(i)
    edits: list[Edit] = []
    fresh: list[Edit] = []
    for j in range(len(found)):
        kind = KIND_WORDS[int(found.kind[j])]
        here = left.get(_place(found, j))
        if here:
            mark = sheet.marks[here.pop(0)]
            if mark.kind != kind:
                edits.append(Change(mark, replace(mark, kind=kind, by_hand=True), "label"))
            continue
        name = f"hcoco{steps[-1].revision + 1}-{len(fresh) + 1}"
        x, y, r = _place(found, j)
        mark = Mark(name, x, y, max(r, MIN_RADIUS_PX), kind, -1, 1.0, True)
        fresh.append(Add(mark))
    gone: list[Edit] = [Remove(sheet.marks[i]) for rows in left.values() for i in rows]
    every = (*gone, *edits, *fresh)
    return edit_to_json(Many(every)) if every else None


def _place(fruit: Fruitlets, i: int) -> tuple[float, float, float]:
    return float(fruit.x_px[i]), float(fruit.y_px[i]), float(fruit.r_px[i])
