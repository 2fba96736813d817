"""What hand corrections make of a photo's automatic measurement: one function, used everywhere."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from fruitcount.corrections import edits as cx
from fruitcount.detect.find import count_flags, count_range
from fruitcount.errors import FruitcountError
from fruitcount.flags import Flag
from fruitcount.image.photo import read_photo
from fruitcount.limb.find import find_limb
from fruitcount.limb.position import place_fruitlets
from fruitcount.limb.result import with_caliper
from fruitcount.lines import line_length_px
from fruitcount.pipeline import detection_threshold
from fruitcount.types import Fruitlets, Kind, Limb, Measurement, Photo, Scale

_SCALE_FLAGS = (
    Flag.NO_SCALE
    | Flag.CARD_SMALL
    | Flag.CARD_TILTED
    | Flag.CARD_PARTLY_HIDDEN
    | Flag.CARDS_DISAGREE
    | Flag.CARD_SIZE_ASSUMED
    | Flag.SCALE_FROM_FRUIT
)
_LIMB_FLAGS = (
    Flag.LIMB_NOT_FOUND
    | Flag.LIMB_LEAVES_FRAME
    | Flag.LIMB_DOUBTFUL
    | Flag.LIMB_UNSURE
    | Flag.LIMB_ENDS_UNSURE
    | Flag.DIAMETER_DOUBTFUL
)
_COUNT_FLAGS = (
    Flag.NO_FRUIT_SEEN | Flag.COUNT_UNKNOWN | Flag.MANY_DOUBTFUL | Flag.SIZES_OUT_OF_RANGE
)
_KINDS = {Kind.FRUIT: "fruit", Kind.YELLOWING: "yellowing", Kind.DAMAGED: "damaged"}
# Code of a kind of fruit, to the word that a mark has for it.
KIND_WORDS = {int(kind): word for kind, word in _KINDS.items()}
_CODES = {word: int(kind) for kind, word in _KINDS.items()}


def apply_corrections(
    measurement: Measurement,
    sheet: cx.Sheet,
    measure_line: Callable[[tuple[cx.Point, ...]], Limb] | None = None,
    answers: Mapping[str, Any] | None = None,
) -> Measurement:
    """The measurement with everything that a person corrected.

    Parameters
    ----------
    measurement : Measurement
        The automatic result that the corrections started from.
    sheet : Sheet
        Fruit, limb line and scale as they are now.
    measure_line : callable, optional
        Measures a line drawn by hand on the photo, in pixels: :func:`limb_along` of the photo.
        Without it such a line has a length and no thickness.
    answers : mapping, optional
        The grower's answers: caliper readings among them, ``base_diameter_mm`` and
        ``tip_diameter_mm``, beat the photo.

    Returns
    -------
    Measurement
        The same object's values where nothing was corrected; its flags are worked out anew.
    """
    scale = scale_of(measurement, sheet.scale)
    limb = limb_at_scale(*_limb_and_scale(measurement, sheet, measure_line), scale)
    limb = with_caliper(limb, answers or {})
    placed = place_fruitlets(fruitlets_of(measurement, sheet, scale), limb, scale)
    named = np.array([m.on_limb for m in sheet.marks], dtype=int)
    placed = placed.with_columns(on_limb=np.where(named < 0, placed.on_limb, named))
    kept = measurement.flags & ~(_SCALE_FLAGS | _LIMB_FLAGS | _COUNT_FLAGS)
    flags = kept | scale.flags | limb.flags
    flags |= count_flags(placed, flags, detection_threshold(measurement.source))
    likely = count_range(placed, flags, measurement.source)
    return replace(
        measurement, scale=scale, limb=limb, fruitlets=placed, flags=flags, count_range_n=likely
    )


def replayed(measurement: Measurement, edits: Iterable[Mapping[str, Any]]) -> cx.Sheet:
    """What stored edits, oldest first, make of an automatic result.

    Raises
    ------
    RecordError, StaleEditError
        When one is of no known form, or does not fit what came before it.
    """
    sheet = sheet_of(measurement)
    for edit in edits:
        sheet = cx.apply(sheet, cx.edit_from_json(edit))
    return sheet


def corrected(
    measurement: Measurement,
    edits: Iterable[Mapping[str, Any]],
    photo: Path,
    answers: Mapping[str, Any] | None = None,
) -> Measurement | None:
    """A kept photo's result with its edits, the same that the screen shows.

    Parameters
    ----------
    measurement : Measurement
        The automatic result that the edits started from.
    edits : iterable of mapping
        Those in force, as they are stored, oldest first.
    photo : Path
        Its file; where that cannot be read, a line drawn by hand has a length and no thickness.
    answers : mapping, optional
        See :func:`apply_corrections`.

    Returns
    -------
    Measurement or None
        None where an edit is not of the screen's making.
    """
    try:
        sheet = replayed(measurement, edits)
    except FruitcountError:
        return None
    return apply_corrections(measurement, sheet, partial(_line_on_file, photo), answers)


def _line_on_file(path: Path, line: tuple[cx.Point, ...]) -> Limb:
    try:
        return limb_along(read_photo(path), line)
    except FruitcountError:
        return unmeasured_limb(line)


def edit_to(fruit: Fruitlets, sheet: cx.Sheet, name: str) -> cx.Edit | None:
    """The edit that leads from a sheet's marks to others; None where they are equal.

    Parameters
    ----------
    fruit : Fruitlets
        Marks as they are to be, such as another program left them.
    sheet : Sheet
    name : str
        What the ids of new marks begin with.
    """
    left: dict[tuple[float, ...], list[cx.Mark]] = defaultdict(list)
    for mark in sheet.marks:
        left[mark.x_px, mark.y_px, mark.r_px].append(mark)
    renamed: list[cx.Edit] = []
    fresh: list[cx.Edit] = []
    circles = np.column_stack([fruit.x_px, fruit.y_px, fruit.r_px]).tolist()
    for (x, y, r), code in zip(circles, fruit.kind.tolist(), strict=True):
        kind = KIND_WORDS[code]
        if not left[x, y, r]:
            new = cx.Mark(
                f"{name}{len(fresh) + 1}", x, y, max(r, cx.MIN_RADIUS_PX), kind, by_hand=True
            )
            fresh.append(cx.Add(new))
        elif (mark := left[x, y, r].pop(0)).kind != kind:
            renamed.append(cx.Change(mark, replace(mark, kind=kind, by_hand=True), "label"))
    gone = [cx.Remove(mark) for marks in left.values() for mark in marks]
    every = (*gone, *renamed, *fresh)
    return cx.Many(every) if every else None


def limb_along(photo: Photo, line: tuple[cx.Point, ...]) -> Limb:
    """A limb drawn by hand, measured on the photo in pixels only."""
    if len(line) < 2:
        return Limb(flags=Flag.LIMB_NOT_FOUND, by_hand=True)
    return find_limb(photo, None, Fruitlets.empty(), Scale(), line_px=np.array(line))


def moved_by_line(
    measurement: Measurement, sheet: cx.Sheet, measure_line: Callable[[tuple[cx.Point, ...]], Limb]
) -> tuple[cx.Change, ...]:
    """Fruit that another line puts on or off the limb; those named by hand stay."""
    free = replace(sheet, marks=tuple(replace(m, on_limb=-1) for m in sheet.marks))
    placed = apply_corrections(measurement, free, measure_line).fruitlets
    return tuple(
        cx.Change(mark, replace(mark, on_limb=int(placed.on_limb[i])), "label")
        for i, mark in enumerate(sheet.marks)
        if not mark.by_hand and mark.on_limb != int(placed.on_limb[i])
    )


def _limb_and_scale(
    measurement: Measurement,
    sheet: cx.Sheet,
    measure_line: Callable[[tuple[cx.Point, ...]], Limb] | None,
) -> tuple[Limb, Scale]:
    """The limb that the sheet's line stands for, and the scale its lengths are told in."""
    same = sheet.line_by_hand == measurement.limb.by_hand
    if same and sheet.line_px == start_line(measurement):
        return measurement.limb, measurement.scale
    return (measure_line or unmeasured_limb)(sheet.line_px), Scale()


def unmeasured_limb(line: tuple[cx.Point, ...]) -> Limb:
    """A limb drawn by hand on a photo that is not at hand: its length, and no thickness."""
    points = np.array(line, dtype=float).reshape(-1, 2)
    if len(points) < 2:
        return Limb(flags=Flag.LIMB_NOT_FOUND, by_hand=True)
    return Limb(
        line_px=points,
        width_px=np.full(len(points), np.nan),
        length_px=line_length_px(points),
        by_hand=True,
        flags=Flag.DIAMETER_DOUBTFUL,
    )


def sheet_of(measurement: Measurement) -> cx.Sheet:
    """The sheet that an automatic result starts from."""
    fruit = measurement.fruitlets
    score = np.nan_to_num(fruit.score, nan=0.0)
    marks = tuple(
        cx.Mark(
            id=f"a{i}",
            x_px=round(float(fruit.x_px[i]), 3),
            y_px=round(float(fruit.y_px[i]), 3),
            r_px=round(max(float(fruit.r_px[i]), cx.MIN_RADIUS_PX), 3),
            kind=_KINDS[Kind(int(fruit.kind[i]))],
            on_limb=int(fruit.on_limb[i]),
            score=round(float(score[i]), 4),
            by_hand=bool(fruit.by_hand[i]),
        )
        for i in range(len(fruit))
    )
    return cx.Sheet(
        marks, start_line(measurement), measurement.limb.by_hand, choice_of(measurement.scale)
    )


def start_line(measurement: Measurement) -> tuple[cx.Point, ...]:
    """The limb line that was found by itself, as a sheet holds it."""
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in measurement.limb.line_px)


def choice_of(
    scale: Scale, points: tuple[cx.Point, ...] = (), typed_mm: float = 0.0
) -> cx.ScaleChoice:
    """A measured scale as a choice that can be edited, kept and undone."""
    return cx.ScaleChoice(
        source=scale.source if scale.known else "none",
        px_per_mm=float(scale.px_per_mm) if scale.known else 0.0,
        rel_sd_frac=float(np.nan_to_num(scale.rel_sd_frac)),
        points_px=points,
        typed_mm=typed_mm,
        by_hand=bool(points or typed_mm),
    )


def scale_of(measurement: Measurement, choice: cx.ScaleChoice) -> Scale:
    """The scale a sheet stands for; the automatic one, whole, while nobody changed it."""
    if not choice.by_hand:
        return measurement.scale
    if choice.px_per_mm <= 0:
        return Scale(flags=Flag.NO_SCALE)
    rough = Flag.SCALE_FROM_FRUIT if choice.source == "fruit" else Flag.NONE
    return Scale(choice.px_per_mm, choice.rel_sd_frac, choice.source, flags=rough)


def fruitlets_of(measurement: Measurement, sheet: cx.Sheet, scale: Scale) -> Fruitlets:
    """The sheet's marks as fruitlets; what was measured on an untouched mark is kept.

    Parameters
    ----------
    seen : Measurement
        The automatic result that the sheet started from.
    sheet : Sheet
    scale : Scale
        Diameters in mm are told anew with it.

    Returns
    -------
    Fruitlets
        In the order of ``sheet.marks``; not yet placed along the limb.
    """
    rows = [int(m.id[1:]) if m.id[0] == "a" and m.id[1:].isdigit() else -1 for m in sheet.marks]
    found = np.array([row if row < len(measurement.fruitlets) else -1 for row in rows], dtype=int)
    # -1 is the last row, of which nothing is measured
    base = measurement.fruitlets.joined(Fruitlets.from_columns(x_px=[np.nan])).take(found)
    r_px = np.array([m.r_px for m in sheet.marks])
    was_mm = base.diameter_mm
    with np.errstate(invalid="ignore"):
        factor = (
            scale.mm_per_px / measurement.scale.mm_per_px if measurement.scale.known else np.nan
        )
        kept = np.isfinite(was_mm) & (np.abs(r_px - base.r_px) < 0.01)
        diameter_mm = np.where(kept, was_mm * factor, 2 * r_px * scale.mm_per_px)
        sd_mm = np.where(kept, base.diameter_sd_mm * factor, 0.06 * diameter_mm)
    return base.with_columns(
        x_px=[m.x_px for m in sheet.marks], y_px=[m.y_px for m in sheet.marks], r_px=r_px,
        kind=[_CODES[m.kind] for m in sheet.marks],
        score=[1.0 if m.by_hand else m.score for m in sheet.marks],
        on_limb=[m.on_limb for m in sheet.marks], by_hand=[m.by_hand for m in sheet.marks],
        diameter_mm=diameter_mm, diameter_sd_mm=sd_mm
    )  # fmt: skip


def limb_at_scale(limb: Limb, was: Scale, scale: Scale) -> Limb:
    """The limb's lengths and diameters told with another scale; caliper readings stay."""
    if scale is was:
        return limb
    factor = scale.mm_per_px / was.mm_per_px if was.known else float("nan")
    by_caliper = limb.diameter_source == "caliper"
    thick = (limb.base_diameter_mm, limb.tip_diameter_mm)
    if not by_caliper:
        widths = limb.width_px[np.isfinite(limb.width_px)]
        known = len(widths) > 0 and not was.known
        thick = (
            (float(widths[0]) * scale.mm_per_px, float(widths[-1]) * scale.mm_per_px)
            if known
            else (thick[0] * factor, thick[1] * factor)
        )
    return replace(
        limb,
        length_mm=limb.length_px * scale.mm_per_px,
        base_diameter_mm=thick[0],
        tip_diameter_mm=thick[1],
        diameter_source=limb.diameter_source
        if by_caliper
        else ("photo" if scale.known else "none"),
        shoots=tuple(replace(s, base_diameter_mm=s.base_diameter_mm * factor) for s in limb.shoots),
    )
