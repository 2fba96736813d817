"""Between what was measured (:class:`~fruitcount.types.Seen`) and the sheet that is edited."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import review_state as rs

from fruitcount.flags import Flag
from fruitcount.image.opencv import cv2
from fruitcount.types import Fruitlets, Kind, Limb, Scale, Seen

__all__ = [
    "auto_id",
    "choice_of",
    "fruitlets_of",
    "limb_of",
    "on_card",
    "scale_of",
    "sheet_of",
    "start_line",
]

_KINDS = {Kind.FRUIT: "fruit", Kind.YELLOWING: "yellowing", Kind.DAMAGED: "damaged"}
_CODES = {word: int(kind) for kind, word in _KINDS.items()}


def auto_id(row: int) -> str:
    """Id of the mark that was found by itself as number ``row``."""
    return f"a{row}"


def sheet_of(seen: Seen) -> rs.Sheet:
    """The sheet that an automatic result starts from."""
    fruit = seen.fruitlets
    marks = tuple(
        rs.Mark(
            id=auto_id(i),
            x_px=round(float(fruit.x_px[i]), 3),
            y_px=round(float(fruit.y_px[i]), 3),
            r_px=round(max(float(fruit.r_px[i]), rs.MIN_RADIUS_PX), 3),
            kind=_KINDS[Kind(int(fruit.kind[i]))],
            on_limb=int(fruit.on_limb[i]),
            score=round(float(np.nan_to_num(fruit.score[i], nan=0.0)), 4),
            by_hand=bool(fruit.by_hand[i]),
        )
        for i in range(len(fruit))
    )
    return rs.Sheet(marks, start_line(seen), seen.limb.by_hand, choice_of(seen.scale))


def start_line(seen: Seen) -> tuple[rs.Point, ...]:
    """The limb line that was found by itself, as a sheet holds it."""
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in seen.limb.line_px)


def choice_of(
    scale: Scale, points: tuple[rs.Point, ...] = (), typed_mm: float = 0.0
) -> rs.ScaleChoice:
    """A measured scale as a choice that can be edited, kept and undone."""
    return rs.ScaleChoice(
        source=scale.source if scale.known else "none",
        px_per_mm=float(scale.px_per_mm) if scale.known else 0.0,
        rel_sd_frac=float(np.nan_to_num(scale.rel_sd_frac)),
        points_px=points,
        typed_mm=typed_mm,
        by_hand=bool(points or typed_mm),
    )


def scale_of(seen: Seen, choice: rs.ScaleChoice) -> Scale:
    """The scale a sheet stands for; the automatic one, whole, while nobody changed it."""
    if not choice.by_hand:
        return seen.scale
    if choice.px_per_mm <= 0:
        return Scale(flags=Flag.NO_SCALE)
    rough = Flag.SCALE_FROM_FRUIT if choice.source == "fruit" else Flag.NONE
    return Scale(choice.px_per_mm, choice.rel_sd_frac, choice.source, flags=rough)


def on_card(scale: Scale, mark: rs.Mark) -> bool:
    """Whether a mark's centre lies on the scale card or its white edge, a quarter side wide."""
    if len(scale.corners_px) != 4:
        return False
    middle = scale.corners_px.mean(axis=0)
    outline = (middle + 1.5 * (scale.corners_px - middle)).astype(np.float32)
    return bool(cv2.pointPolygonTest(outline, (mark.x_px, mark.y_px), False) >= 0)


def fruitlets_of(seen: Seen, sheet: rs.Sheet, scale: Scale) -> Fruitlets:
    """The sheet's marks as fruitlets; what was measured on an untouched mark is kept.

    Parameters
    ----------
    seen : Seen
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
    found = np.array([row if row < len(seen.fruitlets) else -1 for row in rows], dtype=int)
    base = _start_columns(seen.fruitlets, found)
    r_px = np.array([m.r_px for m in sheet.marks])
    was_mm = base.diameter_mm
    with np.errstate(invalid="ignore"):
        factor = scale.mm_per_px / seen.scale.mm_per_px if seen.scale.known else np.nan
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


def limb_of(limb: Limb, was: Scale, scale: Scale) -> Limb:
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
