"""Edits of a sheet: each a small frozen value that knows its own inverse.

An edit names what it expects to find, so that one made on an old picture is refused instead of
overwriting somebody else's work.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from fruitcount.errors import FruitcountError, RecordError
from fruitcount.store.marks import Mark, Point, ScaleChoice, Sheet, as_points

__all__ = [
    "Add",
    "Change",
    "Edit",
    "Many",
    "Remove",
    "SetLine",
    "SetScale",
    "StaleEditError",
    "apply",
    "inverse",
]

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
