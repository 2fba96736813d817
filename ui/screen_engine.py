"""The screen's one door to the counting: measure, correct, decide.

It also answers the two wishes that need the photo itself: a limb line and a scale.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import fields, replace
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import review_seen as rv
import review_state as rs
from screen_photos import photo_at, preview_jpeg

from fruitcount.detect import DetectSettings
from fruitcount.errors import BadInputError, FruitcountError, RecordError
from fruitcount.flags import Flag
from fruitcount.image import (
    scale_from_bank_card,
    scale_from_disc,
    scale_from_fruit,
    scale_from_limb_length,
    scale_from_points,
)
from fruitcount.limb import find_limb, place_fruitlets, trace_between, with_caliper
from fruitcount.lines import line_length_px
from fruitcount.pipeline import DOUBT_MARGIN, CountSettings, Result, ScaleRequest, decide, measure
from fruitcount.plan import GrowerInputs
from fruitcount.store.marks import as_points
from fruitcount.types import Fruitlets, Limb, Measurement, Photo, Scale

__all__ = [
    "corrected",
    "doubt_below",
    "grower_inputs",
    "look_again",
    "measure_file",
    "resolve",
    "result",
    "warm_up",
    "worth_a_new_look",
]

_SCALE_FLAGS = (
    Flag.NO_SCALE
    | Flag.CARD_SMALL
    | Flag.CARD_TILTED
    | Flag.CARD_PARTLY_HIDDEN
    | Flag.CARDS_DISAGREE
    | Flag.CARD_SIZE_ASSUMED
    | Flag.SCALE_FROM_FRUIT
    | Flag.SIZES_OUT_OF_RANGE
)
_LIMB_FLAGS = (
    Flag.LIMB_NOT_FOUND | Flag.LIMB_LEAVES_FRAME | Flag.LIMB_DOUBTFUL | Flag.DIAMETER_DOUBTFUL
)
_COUNT_FLAGS = Flag.NO_FRUIT_SEEN | Flag.COUNT_UNKNOWN | Flag.MANY_DOUBTFUL
# A handle dragged on a line with more points than this gives a needlessly long line.
_MOST_POINTS = 60


def measure_file(path: Path, name: str) -> Measurement:
    """Count a photo by itself.

    Raises
    ------
    PhotoUnreadableError
        When it is not a photo that can be read.
    """
    photo = photo_at(path)
    preview_jpeg(path)  # while the pixels are at hand: the first look is then quick
    return replace(measure(photo, CountSettings()), name=name)


def warm_up() -> None:
    """Load what the first count needs, while the first page is still read."""
    blank = np.full((480, 640, 3), 128, np.uint8)
    with suppress(FruitcountError):
        measure(Photo(blank), CountSettings())


def worth_a_new_look(measurement: Measurement, sheet: rs.Sheet) -> bool:
    """Whether marks nobody touched were found at another scale than the sheet's.

    Fruit are looked for between two sizes in mm, so a scale that differs by more than a tenth
    (our choice) may show others.
    """
    now = sheet.scale.px_per_mm
    if now <= 0 or not sheet.scale.by_hand or any(m.id.startswith("s") for m in sheet.marks):
        return False
    was = measurement.scale.px_per_mm if measurement.scale.known else 0.0
    return was <= 0 or abs(now / was - 1) > 0.1


def look_again(measurement: Measurement, path: Path, sheet: rs.Sheet) -> rs.Edit:
    """Find the fruit anew at the sheet's scale, as one edit; what a person did stays.

    Raises
    ------
    BadInputError
        When the sheet has no scale.
    """
    px_per_mm = sheet.scale.px_per_mm
    if px_per_mm <= 0:
        raise BadInputError("Set a scale first.")
    scale = ScaleRequest("points", 100.0, ((0.0, 0.0), (100.0 * px_per_mm, 0.0)))
    line = sheet.line_px if sheet.line_by_hand else ()
    found = measure(photo_at(path), CountSettings(scale=scale, line_px=line))
    stay = [m for m in sheet.marks if m.by_hand]
    fresh = [
        replace(m, id=f"s{m.id[1:]}")
        for m in rv.sheet_of(found).marks
        if not any(math.hypot(m.x_px - k.x_px, m.y_px - k.y_px) < k.r_px for k in stay)
        and not rv.on_card(measurement.scale, m)
    ]
    edits: list[rs.Edit] = [rs.Remove(m) for m in sheet.marks if not m.by_hand]
    edits += [rs.Add(m) for m in fresh]
    if not sheet.line_by_hand and found.limb.found:
        new = rv.start_line(found)
        if new != sheet.line_px:
            edits.append(rs.SetLine(sheet.line_px, new, False, False))
    return rs.Many(tuple(edits))


def doubt_below(source: str) -> float:
    """Marks with a score under this are shown as doubtful."""
    return DetectSettings().threshold_for(source) + DOUBT_MARGIN


def grower_inputs(facts: Mapping[str, Any]) -> GrowerInputs:
    """The grower's answers; what the plan does not know is passed over."""
    known = {f.name for f in fields(GrowerInputs)}
    return GrowerInputs(**{k: v for k, v in facts.items() if k in known and v is not None})


def corrected(
    measurement: Measurement, sheet: rs.Sheet, path: Path, facts: Mapping[str, Any]
) -> Measurement:
    """What was seen, with a sheet's corrections and the typed caliper readings.

    Parameters
    ----------
    seen : Measurement
        The automatic result.
    sheet : Sheet
    path : Path
        The photo: a limb line drawn by hand is measured on it, once.
    facts : mapping
        ``base_diameter_mm`` and ``tip_diameter_mm`` are caliper readings.
    """
    scale = rv.scale_of(measurement, sheet.scale)
    limb = measurement.limb
    if sheet.line_by_hand != measurement.limb.by_hand or sheet.line_px != rv.start_line(
        measurement
    ):
        limb = _hand_limb(path, sheet.line_px)
    limb = with_caliper(
        rv.limb_of(limb, Scale() if limb is not measurement.limb else measurement.scale, scale),
        base_diameter_mm=facts.get("base_diameter_mm"),
        tip_diameter_mm=facts.get("tip_diameter_mm"),
    )
    fruit = rv.fruitlets_of(measurement, sheet, scale)
    placed = place_fruitlets(fruit, limb, scale)
    told = np.array([m.on_limb for m in sheet.marks], dtype=int)
    placed = placed.with_columns(on_limb=np.where(told < 0, placed.on_limb, told))
    flags = (
        (measurement.flags & ~(_SCALE_FLAGS | _LIMB_FLAGS | _COUNT_FLAGS))
        | scale.flags
        | limb.flags
    )
    flags |= _count_flags(measurement, sheet)
    return replace(measurement, scale=scale, limb=limb, fruitlets=placed, flags=flags)


def _count_flags(measurement: Measurement, sheet: rs.Sheet) -> Flag:
    """A person who marked fruit has told the count; doubt ends when the doubtful are checked."""
    flags = (
        Flag.NONE if any(m.by_hand for m in sheet.marks) else measurement.flags & Flag.COUNT_UNKNOWN
    )
    if not sheet.marks and not flags:
        flags |= Flag.NO_FRUIT_SEEN
    if sheet.doubtful(doubt_below(measurement.source)):
        flags |= measurement.flags & Flag.MANY_DOUBTFUL
    return flags


@lru_cache(maxsize=8)
def _hand_limb(path: Path, line: tuple[rs.Point, ...]) -> Limb:
    """A limb drawn by hand, measured in pixels only; the sheet's scale comes after."""
    if len(line) < 2:
        return Limb(flags=Flag.LIMB_NOT_FOUND, by_hand=True)
    return find_limb(photo_at(path), None, Fruitlets.empty(), Scale(), line_px=np.array(line))


def result(measurement: Measurement, facts: Mapping[str, Any]) -> Result:
    """Decide on what was seen."""
    return Result(measurement, decide(measurement, grower_inputs(facts)))


def resolve(
    measurement: Measurement, path: Path, sheet: rs.Sheet, item: Mapping[str, Any]
) -> rs.Edit:
    """Turn a tapped limb line, a scale or a wish for a new look into an edit of the sheet.

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
    measurement: Measurement, path: Path, sheet: rs.Sheet, wish: Mapping[str, Any]
) -> rs.Edit:
    taps = list(_sent(wish)[1])[:_MOST_POINTS]
    if len(taps) < 2:
        raise BadInputError("Tap where the limb starts, then its tip.")
    line = _followed(path, taps) if wish.get("follow") else tuple(taps)
    line = tuple((round(x, 2), round(y, 2)) for x, y in line)
    edit = rs.SetLine(sheet.line_px, line, sheet.line_by_hand, True)
    after = rs.apply(sheet, edit)
    moved = _moved_marks(measurement, path, after)
    return rs.Many((edit, *moved)) if moved else edit


def _sent(wish: Mapping[str, Any]) -> tuple[float, tuple[rs.Point, ...]]:
    """The length and the taps that a browser sent; a RecordError when they are no numbers."""
    try:
        return float(wish.get("mm", 0.0)), as_points(wish.get("taps", wish.get("points", ())))
    except (AttributeError, TypeError, ValueError, OverflowError) as error:
        raise RecordError(f"what the screen sent could not be read: {error}") from error


def _followed(path: Path, taps: list[rs.Point]) -> tuple[rs.Point, ...]:
    """Snap the line to the wood between each two taps."""
    photo, line = photo_at(path), [taps[0]]
    for a, b in pairwise(taps):
        piece = trace_between(photo, None, a, b)
        line += [(float(x), float(y)) for x, y in piece[1:]]
    step = max(1, len(line) // _MOST_POINTS)
    return (*line[:-1:step], line[-1])


def _moved_marks(measurement: Measurement, path: Path, sheet: rs.Sheet) -> tuple[rs.Change, ...]:
    """Marks that another line puts on or off the limb; those named by hand stay."""
    scale = rv.scale_of(measurement, sheet.scale)
    limb = rv.limb_of(_hand_limb(path, sheet.line_px), Scale(), scale)
    placed = place_fruitlets(rv.fruitlets_of(measurement, sheet, scale), limb, scale)
    return tuple(
        rs.Change(mark, replace(mark, on_limb=int(placed.on_limb[i])), "label")
        for i, mark in enumerate(sheet.marks)
        if not mark.by_hand and mark.on_limb != int(placed.on_limb[i])
    )


def _scale_edit(
    measurement: Measurement, path: Path, sheet: rs.Sheet, wish: Mapping[str, Any]
) -> rs.Edit:
    mm, points = _sent(wish)
    how = str(wish.get("how"))
    if how == "card":
        return rs.SetScale(sheet.scale, rv.choice_of(measurement.scale))
    if how == "two points" and len(points) == 2:
        (x1, y1), (x2, y2) = points
        scale = scale_from_points(x1, y1, x2_px=x2, y2_px=y2, length_mm=mm)
    elif how == "coin" and points:
        scale = scale_from_disc(photo_at(path), *points[0], diameter_mm=mm)
    elif how == "fruit" and points:
        scale = scale_from_fruit(_nearest_fruit(sheet, points[0]), mm)
    elif how == "usual fruit":
        scale = scale_from_fruit(rv.fruitlets_of(measurement, sheet, Scale()), mm)
    elif how == "limb length":
        if len(sheet.line_px) < 2:
            raise BadInputError("Show the limb first: tap its base and its tip.")
        scale = scale_from_limb_length(line_length_px(np.array(sheet.line_px)), mm)
    elif how == "bank card" and len(points) == 4:
        scale = scale_from_bank_card(photo_at(path), points)
    else:
        raise BadInputError("Tap on the photo first, then use the scale.")
    if not scale.known:
        raise BadInputError("No round outline was found there. Tap its middle, or use two points.")
    return rs.SetScale(sheet.scale, rv.choice_of(scale, points, mm))


def _nearest_fruit(sheet: rs.Sheet, at: rs.Point) -> Fruitlets:
    near = min(
        sheet.marks,
        key=lambda m: (m.x_px - at[0]) ** 2 + (m.y_px - at[1]) ** 2,
        default=None,
    )
    if near is None or (near.x_px - at[0]) ** 2 + (near.y_px - at[1]) ** 2 > (3 * near.r_px) ** 2:
        raise BadInputError("Tap on a marked fruit.")
    return Fruitlets.from_columns(x_px=[near.x_px], y_px=[near.y_px], r_px=[near.r_px])
