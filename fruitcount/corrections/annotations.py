"""What a person may change on one photo: its fruit, the limb line, the scale; all of it frozen."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from fruitcount.errors import RecordError

KINDS = ("fruit", "yellowing", "damaged")
SCALE_SOURCES = ("card", "two points", "coin", "bank card", "fruit", "limb length", "none")
MIN_RADIUS_PX = 1.0
Point = tuple[float, float]


@dataclass(frozen=True)
class Mark:
    """One circle on the photo.

    Attributes
    ----------
    id : str
        Unique within the photo, never used again: ``a7`` for the eighth one found by itself,
        ``s7`` for one found in a second look at another scale, ``h<screen>-<number>`` for one
        added by hand.
    x_px, y_px, r_px : float, px
    kind : {"fruit", "yellowing", "damaged"}
    on_limb : {1, 0, -1}
        1 on the photographed limb, 0 not, -1 not told.
    score : float, 0 to 1
        How sure the finder was; 1 when added by hand.
    by_hand : bool
        Added, changed or checked by a person.
    """

    id: str
    x_px: float
    y_px: float
    r_px: float
    kind: str = "fruit"
    on_limb: int = -1
    score: float = 1.0
    by_hand: bool = False

    def __post_init__(self) -> None:
        if not self.id or len(self.id) > 40:
            raise RecordError(f"mark id must have 1 to 40 characters, got {self.id!r}")
        for name in ("x_px", "y_px", "r_px", "score"):
            value = getattr(self, name)
            if not math.isfinite(value) or abs(value) > 1e6:
                raise RecordError(f"mark {name} must be a finite number, got {value!r}")
        if self.r_px < MIN_RADIUS_PX:
            raise RecordError(f"mark r_px must be at least {MIN_RADIUS_PX}, got {self.r_px!r}")
        if self.kind not in KINDS or self.on_limb not in (-1, 0, 1):
            raise RecordError(f"mark kind or on_limb unknown: {self.kind!r}, {self.on_limb!r}")

    @property
    def label(self) -> str:
        """Its kind, or ``elsewhere`` for fruit that is not on this limb."""
        return "elsewhere" if self.on_limb == 0 else self.kind

    def doubtful(self, below: float) -> bool:
        """Whether it counts, was never looked at, and was found with less than ``below``."""
        return not self.by_hand and self.on_limb != 0 and self.score < below


@dataclass(frozen=True)
class ScaleChoice:
    """Where the scale comes from; the automatic one carries no points.

    Attributes
    ----------
    source : {"card", "two points", "coin", "bank card", "fruit", "limb length", "none"}
    px_per_mm : float
        0 when there is no scale.
    rel_sd_frac : float
        One standard deviation of ``px_per_mm`` as a share of it; 0 when not told.
    points_px : tuple of (x, y)
        What was tapped.
    typed_mm : float, mm
        The length or diameter that was typed; 0 when none was.
    by_hand : bool
    """

    source: str = "none"
    px_per_mm: float = 0.0
    rel_sd_frac: float = 0.0
    points_px: tuple[Point, ...] = ()
    typed_mm: float = 0.0
    by_hand: bool = False

    def __post_init__(self) -> None:
        if self.source not in SCALE_SOURCES:
            raise RecordError(f"scale source unknown: {self.source!r}")
        for name in ("px_per_mm", "rel_sd_frac", "typed_mm"):
            value = getattr(self, name)
            if not math.isfinite(value) or value < 0:
                raise RecordError(f"scale {name} must be finite and >= 0, got {value!r}")
        object.__setattr__(self, "points_px", as_points(self.points_px))


@dataclass(frozen=True)
class Sheet:
    """Everything a person may change on one photo.

    Attributes
    ----------
    marks : tuple of Mark
        Kept in order of id, so that equal sheets compare equal.
    line_px : tuple of (x, y)
        Limb from base to tip; empty when there is none.
    line_by_hand : bool
    scale : ScaleChoice
    """

    marks: tuple[Mark, ...] = ()
    line_px: tuple[Point, ...] = ()
    line_by_hand: bool = False
    scale: ScaleChoice = field(default_factory=ScaleChoice)

    def __post_init__(self) -> None:
        marks = tuple(sorted(self.marks, key=lambda m: _id_order(m.id)))
        if len({m.id for m in marks}) != len(marks):
            raise RecordError("two marks share an id")
        object.__setattr__(self, "marks", marks)
        object.__setattr__(self, "line_px", as_points(self.line_px))

    def find(self, mark_id: str) -> Mark | None:
        """The mark of that id, or None."""
        return next((m for m in self.marks if m.id == mark_id), None)

    def doubtful(self, below: float) -> tuple[Mark, ...]:
        """Marks nobody has looked at, least sure first."""
        found = (m for m in self.marks if m.doubtful(below))
        return tuple(sorted(found, key=lambda m: m.score))


def _id_order(mark_id: str) -> tuple[str, int, str]:
    head = mark_id.rstrip("0123456789")
    tail = mark_id[len(head) :]
    return head, int(tail) if tail else -1, mark_id


def as_points(values: Any) -> tuple[Point, ...]:
    """Points as pairs of plain numbers; a RecordError when one is not finite."""
    points = tuple((float(x), float(y)) for x, y in values)
    if any(not math.isfinite(v) or abs(v) > 1e6 for p in points for v in p):
        raise RecordError("points must be finite numbers")
    return points
