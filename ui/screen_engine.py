"""The screen's one door to the counting: measure, correct, decide.

It also answers the two wishes that need the photo itself: a limb line and a scale.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import fields, replace
from datetime import date
from functools import lru_cache, partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from screen_outbox import EditSession
from screen_photos import photo_at, preview_jpeg

import fruitcount.corrections as cx
from fruitcount import pipeline
from fruitcount.detect.find import DOUBT_MARGIN
from fruitcount.errors import BadInputError, FruitcountError, RecordError
from fruitcount.image.card import on_card
from fruitcount.limb.find import trace_between
from fruitcount.lines import line_length_px
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.kept import Records
from fruitcount.store.orchard import load_trees
from fruitcount.types import Fruitlets, Limb, Measurement, Photo, Scale

# A handle dragged on a line with more points than this gives a needlessly long line.
_MOST_POINTS = 60
# told once for a tree, known on all its photos
OF_THE_TREE = ("species", "ripening_month", "southern")
# a way to set the scale on the canvas: the kind of request, and how many taps it takes
_SCALES = {
    "two points": ("points", 2), "coin": ("disc", 1), "bank card": ("bank card", 4),
    "fruit": ("fruit", 1), "usual fruit": ("fruit", 0), "limb length": ("limb length", 0),
}  # fmt: skip
_one_at_a_time = threading.Lock()


def counted(records: Records, key: str) -> Measurement:
    """A photo's automatic result: kept, or counted now and kept; asked twice, counted once.

    Raises
    ------
    PhotoUnreadableError
        When it is not a photo that can be read.
    """
    with _one_at_a_time:
        if (measurement := records.measurement(key)) is not None:
            return measurement
        path = records.path(key)
        photo = photo_at(path)
        preview_jpeg(path)  # while the pixels are at hand: the first look is then quick
        measurement = replace(
            pipeline.measure(photo, pipeline.CountSettings()), name=records.name(key), sha256=key
        )
        records.keep_seen(key, measurement)
        return records.measurement(key) or measurement


def tree_names(records: Records) -> dict[int | None, str]:
    """Names of all trees by their number."""
    return {number: name for name, number in records.trees().items()}


def tree_of(records: Records, key: str, day: date | None = None) -> OrchardTree | None:
    """The tree that a photo shows, as it is in that day's season (today's by default)."""
    name = tree_names(records).get(records.tree_of(key))
    return next((t for t in load_trees(records.store, day=day) if t.name == name), None)


def first_answers(records: Records, key: str, last: Mapping[str, Any]) -> dict[str, Any]:
    """For a photo nobody answered for: what its tree tells, else what was said of the last one."""
    facts = {"species": "peach", **last}
    if tree := tree_of(records, key):
        told = {name: getattr(tree, name) for name in OF_THE_TREE}
        facts |= {name: value for name, value in told.items() if value}
    return facts


def kept_measurement(records: Records, key: str) -> tuple[Measurement, Mapping[str, Any]]:
    """A photo as measured and corrected, and what was answered for it."""
    measurement = counted(records, key)
    session = EditSession(cx.History.begin(cx.sheet_of(measurement)))
    session.follow(records.steps(key))
    facts = records.inputs(key) or first_answers(records, key, {})
    return corrected(measurement, session.history.sheet, records.path(key), facts), facts


def kept_result(records: Records, key: str) -> pipeline.Result:
    """What is decided on a photo as it is kept, with its corrections and answers."""
    return result(*kept_measurement(records, key))


def warm_up() -> None:
    """Load what the first count needs, while the first page is still read."""
    blank = np.full((480, 640, 3), 128, np.uint8)
    with suppress(FruitcountError):
        pipeline.measure(Photo(blank), pipeline.CountSettings())


def worth_a_new_look(measurement: Measurement, sheet: cx.Sheet) -> bool:
    """Whether marks nobody touched were found at another scale than the sheet's.

    Fruit are looked for between two sizes in mm, so a scale that differs by more than a tenth
    (our choice) may show others.
    """
    now = sheet.scale.px_per_mm
    if now <= 0 or not sheet.scale.by_hand or any(m.id.startswith("s") for m in sheet.marks):
        return False
    was = measurement.scale.px_per_mm if measurement.scale.known else 0.0
    return was <= 0 or abs(now / was - 1) > 0.1


def look_again(measurement: Measurement, path: Path, sheet: cx.Sheet) -> cx.Edit:
    """Find the fruit anew at the sheet's scale, as one edit; what a person did stays.

    Raises
    ------
    BadInputError
        When the sheet has no scale.
    """
    px_per_mm = sheet.scale.px_per_mm
    if px_per_mm <= 0:
        raise BadInputError("Set a scale first.")
    scale = pipeline.ScaleRequest("points", 100.0, ((0.0, 0.0), (100.0 * px_per_mm, 0.0)))
    line = sheet.line_px if sheet.line_by_hand else ()
    found = pipeline.measure(photo_at(path), pipeline.CountSettings(scale=scale, line_px=line))
    stay = [m for m in sheet.marks if m.by_hand]
    fresh = [
        replace(m, id=f"s{m.id[1:]}")
        for m in cx.sheet_of(found).marks
        if not any(math.hypot(m.x_px - k.x_px, m.y_px - k.y_px) < k.r_px for k in stay)
        and not on_card(measurement.scale, m.x_px, m.y_px, grow=1.5)[0]
    ]
    edits: list[cx.Edit] = [cx.Remove(m) for m in sheet.marks if not m.by_hand]
    edits += [cx.Add(m) for m in fresh]
    if not sheet.line_by_hand and found.limb.found:
        new = cx.start_line(found)
        if new != sheet.line_px:
            edits.append(cx.SetLine(sheet.line_px, new, False, False))
    return cx.Many(tuple(edits))


def doubt_below(source: str) -> float:
    """Marks with a score under this are shown as doubtful."""
    return pipeline.detection_threshold(source) + DOUBT_MARGIN


def grower_inputs(facts: Mapping[str, Any]) -> GrowerInputs:
    """The grower's answers; what the plan does not know is passed over."""
    known = {f.name for f in fields(GrowerInputs)}
    return GrowerInputs(**{k: v for k, v in facts.items() if k in known and v is not None})


def corrected(
    measurement: Measurement, sheet: cx.Sheet, path: Path, facts: Mapping[str, Any]
) -> Measurement:
    """What was measured, with a photo's corrections and the typed caliper readings."""
    return cx.apply_corrections(measurement, sheet, partial(_hand_limb, path), facts)


@lru_cache(maxsize=8)
def _hand_limb(path: Path, line: tuple[cx.Point, ...]) -> Limb:
    """Measured once: every later edit of the photo asks for it again."""
    return cx.limb_along(photo_at(path), line)


def result(measurement: Measurement, facts: Mapping[str, Any]) -> pipeline.Result:
    """Decide on what was seen."""
    return pipeline.Result(measurement, pipeline.decide(measurement, grower_inputs(facts)))


def to_edit(
    measurement: Measurement, path: Path, sheet: cx.Sheet, item: Mapping[str, Any]
) -> cx.Edit:
    """Turn a tapped limb line, a scale or a request for a new look into an edit of the sheet.

    Raises
    ------
    BadInputError
        When the taps cannot be used; the message is for the user.
    """
    if "again" in item:
        return look_again(measurement, path, sheet)
    if "line" in item:
        return _line_edit(measurement, path, sheet, item["line"])
    return _scale_edit(measurement, path, sheet, item["scale"])


def _line_edit(
    measurement: Measurement, path: Path, sheet: cx.Sheet, request: Mapping[str, Any]
) -> cx.Edit:
    taps = list(_sent(request)[1])[:_MOST_POINTS]
    if len(taps) < 2:
        raise BadInputError("Tap where the limb starts, then its tip.")
    line = _followed(path, taps) if request.get("follow") else tuple(taps)
    line = tuple((round(x, 2), round(y, 2)) for x, y in line)
    edit = cx.SetLine(sheet.line_px, line, sheet.line_by_hand, True)
    after = cx.apply(sheet, edit)
    moved = cx.moved_by_line(measurement, after, partial(_hand_limb, path))
    return cx.Many((edit, *moved)) if moved else edit


def _sent(request: Mapping[str, Any]) -> tuple[float, tuple[cx.Point, ...]]:
    """The length and the taps that a browser sent; a RecordError when they are no numbers."""
    try:
        return float(request.get("mm", 0.0)), cx.as_points(
            request.get("taps", request.get("points", ()))
        )
    except (AttributeError, TypeError, ValueError, OverflowError) as error:
        raise RecordError(f"what the screen sent could not be read: {error}") from error


def _followed(path: Path, taps: list[cx.Point]) -> tuple[cx.Point, ...]:
    """Snap the line to the wood between each two taps."""
    photo, line = photo_at(path), [taps[0]]
    for a, b in pairwise(taps):
        piece = trace_between(photo, a, b)
        line += [(float(x), float(y)) for x, y in piece[1:]]
    step = max(1, len(line) // _MOST_POINTS)
    return (*line[:-1:step], line[-1])


def _scale_edit(
    measurement: Measurement, path: Path, sheet: cx.Sheet, request: Mapping[str, Any]
) -> cx.Edit:
    mm, points = _sent(request)
    how = str(request.get("how"))
    if how == "card":
        return cx.SetScale(sheet.scale, cx.choice_of(measurement.scale))
    kind, points_n = _SCALES.get(how, ("none", -1))
    if len(points) != points_n:
        raise BadInputError("Tap on the photo first, then use the scale.")
    length_px = line_length_px(np.array(sheet.line_px)) if len(sheet.line_px) >= 2 else math.nan
    if kind == "limb length" and math.isnan(length_px):
        raise BadInputError("Show the limb first: tap its base and its tip.")
    fruit = cx.fruitlets_of(measurement, sheet, Scale())
    if how == "fruit":
        fruit = _nearest_fruit(sheet, points[0])
    scale = pipeline.scale_asked(
        pipeline.ScaleRequest(kind, mm, points), photo_at(path), fruit, length_px
    )
    if not scale.known:
        raise BadInputError("No round outline was found there. Tap its middle, or use two points.")
    return cx.SetScale(sheet.scale, cx.choice_of(scale, points, mm))


def _nearest_fruit(sheet: cx.Sheet, at: cx.Point) -> Fruitlets:
    near = min(
        sheet.marks, key=lambda m: (m.x_px - at[0]) ** 2 + (m.y_px - at[1]) ** 2, default=None
    )
    if near is None or (near.x_px - at[0]) ** 2 + (near.y_px - at[1]) ** 2 > (3 * near.r_px) ** 2:
        raise BadInputError("Tap on a marked fruit.")
    return Fruitlets.from_columns(x_px=[near.x_px], y_px=[near.y_px], r_px=[near.r_px])
