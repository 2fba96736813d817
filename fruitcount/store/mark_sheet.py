"""From a measurement to the sheet of marks that is edited, and back."""

from __future__ import annotations

import numpy as np

from fruitcount.flags import Flag
from fruitcount.store.marks import MIN_RADIUS_PX, Mark, Point, ScaleChoice, Sheet
from fruitcount.types import Fruitlets, Kind, Measurement, Scale

__all__ = [
    "KIND_WORDS",
    "auto_id",
    "choice_of",
    "fruitlets_of",
    "scale_of",
    "sheet_of",
    "start_line",
]

_KINDS = {Kind.FRUIT: "fruit", Kind.YELLOWING: "yellowing", Kind.DAMAGED: "damaged"}
KIND_WORDS = {int(kind): word for kind, word in _KINDS.items()}
"""Code of a kind of fruit, to the word that a mark has for it."""
_CODES = {word: int(kind) for kind, word in _KINDS.items()}


def auto_id(row: int) -> str:
    """Id of the mark that was found by itself as number ``row``."""
    return f"a{row}"


def sheet_of(measurement: Measurement) -> Sheet:
    """The sheet that an automatic result starts from."""
    fruit = measurement.fruitlets
    marks = tuple(
        Mark(
            id=auto_id(i),
            x_px=round(float(fruit.x_px[i]), 3),
            y_px=round(float(fruit.y_px[i]), 3),
            r_px=round(max(float(fruit.r_px[i]), MIN_RADIUS_PX), 3),
            kind=_KINDS[Kind(int(fruit.kind[i]))],
            on_limb=int(fruit.on_limb[i]),
            score=round(float(np.nan_to_num(fruit.score[i], nan=0.0)), 4),
            by_hand=bool(fruit.by_hand[i]),
        )
        for i in range(len(fruit))
    )
    return Sheet(
        marks, start_line(measurement), measurement.limb.by_hand, choice_of(measurement.scale)
    )


def start_line(measurement: Measurement) -> tuple[Point, ...]:
    """The limb line that was found by itself, as a sheet holds it."""
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in measurement.limb.line_px)


def choice_of(scale: Scale, points: tuple[Point, ...] = (), typed_mm: float = 0.0) -> ScaleChoice:
    """A measured scale as a choice that can be edited, kept and undone."""
    return ScaleChoice(
        source=scale.source if scale.known else "none",
        px_per_mm=float(scale.px_per_mm) if scale.known else 0.0,
        rel_sd_frac=float(np.nan_to_num(scale.rel_sd_frac)),
        points_px=points,
        typed_mm=typed_mm,
        by_hand=bool(points or typed_mm),
    )


def scale_of(measurement: Measurement, choice: ScaleChoice) -> Scale:
    """The scale a sheet stands for; the automatic one, whole, while nobody changed it."""
    if not choice.by_hand:
        return measurement.scale
    if choice.px_per_mm <= 0:
        return Scale(flags=Flag.NO_SCALE)
    rough = Flag.SCALE_FROM_FRUIT if choice.source == "fruit" else Flag.NONE
    return Scale(choice.px_per_mm, choice.rel_sd_frac, choice.source, flags=rough)


def fruitlets_of(measurement: Measurement, sheet: Sheet, scale: Scale) -> Fruitlets:
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
    base = _start_columns(measurement.fruitlets, found)
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
        x_px=[m.x_px for m in sheet.marks],
        y_px=[m.y_px for m in sheet.marks],
        r_px=r_px,
        kind=[_CODES[m.kind] for m in sheet.marks],
        score=[1.0 if m.by_hand else m.score for m in sheet.marks],
        on_limb=[m.on_limb for m in sheet.marks],
        by_hand=[m.by_hand for m in sheet.marks],
        diameter_mm=diameter_mm,
        diameter_sd_mm=sd_mm,
    )


def _start_columns(fruit: Fruitlets, rows: np.ndarray) -> Fruitlets:
    if not (rows < 0).any():
        return fruit.take(rows)
    blank = Fruitlets.from_columns(x_px=[np.nan])
    names = list(Fruitlets.__dataclass_fields__)
    both = Fruitlets.from_columns(
        **{n: np.concatenate([getattr(fruit, n), getattr(blank, n)]) for n in names}
    )
    return both.take(np.where(rows < 0, len(fruit), rows))
