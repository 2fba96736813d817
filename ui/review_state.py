"""Pure editing of one photo's marks: what a tap changes, how it is undone, how it is kept.

A :class:`Sheet` is everything a person may change on a photo; a :class:`History` is a sheet and the
edits that led to it. Nothing here knows about the screen or the database. Other parts of the screen
import all of it from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from fruitcount.errors import RecordError
from fruitcount.store.mark_edits import (
    Add,
    Change,
    Edit,
    Many,
    Remove,
    SetLine,
    SetScale,
    StaleEditError,
    apply,
    inverse,
)
from fruitcount.store.mark_json import edit_from_json, edit_to_json, sheet_from_json, sheet_to_json
from fruitcount.store.marks import (
    LABELS,
    MIN_RADIUS_PX,
    Mark,
    Point,
    ScaleChoice,
    Sheet,
    with_label,
)

__all__ = [
    "LABELS",
    "MIN_RADIUS_PX",
    "Add",
    "Change",
    "Edit",
    "History",
    "Many",
    "Mark",
    "Point",
    "Remove",
    "ScaleChoice",
    "SetLine",
    "SetScale",
    "Sheet",
    "StaleEditError",
    "apply",
    "edit_from_json",
    "edit_to_json",
    "inverse",
    "sheet_from_json",
    "sheet_to_json",
    "with_label",
]


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

    def do(self, edit: Edit) -> History:
        """Apply an edit; what was taken back before can no longer be done again."""
        sheet = apply(self.sheet, edit)
        return replace(
            self, sheet=sheet, done=(*self.done, edit), undone=(), revision=self.revision + 1
        )

    def undo(self) -> History:
        """Take the last edit back; the same history when there is none."""
        if not self.done:
            return self
        last = self.done[-1]
        return replace(
            self,
            sheet=apply(self.sheet, inverse(last)),
            done=self.done[:-1],
            undone=(*self.undone, last),
            revision=self.revision + 1,
        )

    def redo(self) -> History:
        """Do the last taken-back edit again; the same history when there is none."""
        if not self.undone:
            return self
        last = self.undone[-1]
        return replace(
            self,
            sheet=apply(self.sheet, last),
            done=(*self.done, last),
            undone=self.undone[:-1],
            revision=self.revision + 1,
        )

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
