"""What a person may change on one photo, and the edits of it: each knows its own inverse.

Fruit, the limb line and the scale, all of it frozen.

An edit names what it expects to find, so that one made on an old picture is refused instead of
overwriting somebody else's work.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from fruitcount.errors import FruitcountError, RecordError, broken_as
from fruitcount.measurement_record import plain, read_values

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


CHANGES = ("move", "resize", "label", "check")


class StaleEditError(FruitcountError):
    """The edit expects a mark, line or scale that is no longer there."""


@dataclass(frozen=True)
class Add:
    """A mark that was not there."""

    mark: Mark


@dataclass(frozen=True)
class Remove:
    """A mark that is taken away; it is kept whole so that it can come back."""

    mark: Mark


@dataclass(frozen=True)
class Change:
    """A mark that moved, changed size or label, or was looked at and left.

    Attributes
    ----------
    before, after : Mark
        Of one id.
    what : {"move", "resize", "label", "check"}
        For the words shown to the user.
    """

    before: Mark
    after: Mark
    what: str = "move"

    def __post_init__(self) -> None:
        if self.before.id != self.after.id or self.what not in CHANGES:
            raise RecordError("a change keeps the mark's id and names what was changed")


@dataclass(frozen=True)
class SetLine:
    """Another limb line (base to tip)."""

    before: tuple[Point, ...]
    after: tuple[Point, ...]
    before_by_hand: bool = False
    after_by_hand: bool = True

    def __post_init__(self) -> None:
        object.__setattr__(self, "before", as_points(self.before))
        object.__setattr__(self, "after", as_points(self.after))


@dataclass(frozen=True)
class SetScale:
    """Another scale."""

    before: ScaleChoice
    after: ScaleChoice


@dataclass(frozen=True)
class Many:
    """Several edits taken as one: one undo takes all of them back."""

    edits: tuple[Edit, ...]


Edit = Add | Remove | Change | SetLine | SetScale | Many


def inverse(edit: Edit) -> Edit:
    """The edit that takes ``edit`` back: applying both, in turn, changes nothing."""
    match edit:
        case Add(mark):
            return Remove(mark)
        case Remove(mark):
            return Add(mark)
        case Change(before, after, what):
            return Change(after, before, what)
        case SetLine(before, after, before_by_hand, after_by_hand):
            return SetLine(after, before, after_by_hand, before_by_hand)
        case SetScale(before_scale, after_scale):
            return SetScale(after_scale, before_scale)
        case Many(edits):
            return Many(tuple(inverse(one) for one in reversed(edits)))


def apply(sheet: Sheet, edit: Edit) -> Sheet:
    """The sheet after one edit.

    Raises
    ------
    StaleEditError
        When the sheet does not hold what the edit expects to find.
    """
    match edit:
        case Add(mark):
            if sheet.find(mark.id) is not None:
                raise StaleEditError(f"mark {mark.id} is already there")
            return replace(sheet, marks=(*sheet.marks, mark))
        case Remove(mark):
            _expect(sheet, mark)
            return replace(sheet, marks=tuple(m for m in sheet.marks if m.id != mark.id))
        case Change(before, after, _):
            _expect(sheet, before)
            marks = tuple(after if m.id == before.id else m for m in sheet.marks)
            return replace(sheet, marks=marks)
        case SetLine(before, after, before_by_hand, after_by_hand):
            if sheet.line_px != before or sheet.line_by_hand != before_by_hand:
                raise StaleEditError("the limb line has been changed meanwhile")
            return replace(sheet, line_px=after, line_by_hand=after_by_hand)
        case SetScale(before_scale, after_scale):
            if sheet.scale != before_scale:
                raise StaleEditError("the scale has been changed meanwhile")
            return replace(sheet, scale=after_scale)
        case Many(edits):
            for one in edits:
                sheet = apply(sheet, one)
            return sheet


def _expect(sheet: Sheet, mark: Mark) -> None:
    if sheet.find(mark.id) != mark:
        raise StaleEditError(f"mark {mark.id} has been changed meanwhile")


_EDITS: dict[str, type[Any]] = {
    "add": Add,
    "remove": Remove,
    "change": Change,
    "line": SetLine,
    "scale": SetScale,
}
_NAMES = {kind: name for name, kind in _EDITS.items()}


def edit_to_json(edit: Edit) -> dict[str, Any]:
    """A plain dictionary, ready for JSON."""
    if isinstance(edit, Many):
        return {"edit": "many", "edits": [edit_to_json(one) for one in edit.edits]}
    return {"edit": _NAMES[type(edit)], **plain(edit)}


def edit_from_json(data: Mapping[str, Any]) -> Edit:
    """Read back what :func:`edit_to_json` wrote.

    Raises
    ------
    RecordError
        When a field is missing, unknown or out of range.
    """
    with broken_as(RecordError, "an edit could not be read"):
        if data["edit"] == "many":
            return Many(tuple(edit_from_json(one) for one in data["edits"]))
        edit: Edit = read_values(_EDITS[data["edit"]], data)
        return edit


@dataclass(frozen=True)
class History:
    """A sheet, the edits that led to it from ``start``, and those taken back.

    Attributes
    ----------
    start : Sheet
        What was found by itself.
    sheet : Sheet
        As it is now: ``start`` with every edit of ``done`` applied.
    done, undone : tuple of Edit
        ``undone`` in the order they were taken back.
    revision : int
        Goes up by one with every do, undo and redo; never goes back.
    """

    start: Sheet
    sheet: Sheet
    done: tuple[Edit, ...] = ()
    undone: tuple[Edit, ...] = ()
    revision: int = 0

    @classmethod
    def begin(cls, start: Sheet) -> History:
        """A history with nothing done yet."""
        return cls(start=start, sheet=start)

    def _now(self, edit: Edit, done: tuple[Edit, ...], undone: tuple[Edit, ...]) -> History:
        sheet = apply(self.sheet, edit)
        return History(self.start, sheet, done, undone, self.revision + 1)

    def do(self, edit: Edit) -> History:
        """Apply an edit; what was taken back before can no longer be done again."""
        return self._now(edit, (*self.done, edit), ())

    def undo(self) -> History:
        """Take the last edit back; the same history when there is none."""
        if not self.done:
            return self
        *done, last = self.done
        return self._now(inverse(last), tuple(done), (*self.undone, last))

    def redo(self) -> History:
        """Do the last taken-back edit again; the same history when there is none."""
        if not self.undone:
            return self
        *undone, last = self.undone
        return self._now(last, (*self.done, last), tuple(undone))

    def step(self, event: Mapping[str, Any]) -> History:
        """One stored event: ``{"do": edit}``, ``{"undo": true}`` or ``{"redo": true}``.

        Raises
        ------
        RecordError
            When the event is of no known form.
        StaleEditError
            When it does not fit the sheet.
        """
        if "do" in event:
            return self.do(edit_from_json(event["do"]))
        if event.get("undo") is True:
            return self.undo()
        if event.get("redo") is True:
            return self.redo()
        raise RecordError(f"event of no known form: {sorted(event)}")
