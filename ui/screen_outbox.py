"""What a browser sends, turned into stored events: in order, once each, never on a stale picture.

Every browser numbers its items. The server keeps the last number of each (``acked``), so an item
that is sent twice (after a lost signal, a reload, a stopped server) is done once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import fruitcount.corrections as cx
from fruitcount.errors import FruitcountError, RecordError
from fruitcount.store.kept import Event

REFUSED = "Another screen changed this first. The picture now shows both; please do it again."
UNDO_REFUSED = "Another screen changed that since: it stays as it is."
NOTHING_OWN = "The last changes were made on another screen. Nothing of yours is left to take back."


class UndoRefusedError(cx.StaleEditError):
    """Undo or redo was asked for what another person did, or has changed since."""


def owner_of(client: str) -> str:
    """Who sent a step: the part of a browser's name that lasts over visits.

    Empty for the program itself and for names of earlier versions: what they did is everybody's.
    """
    head, dash, _ = client.partition("-")
    return head if dash and head not in ("look", "learn") else ""


@dataclass
class EditSession:
    """One photo as one session of the screen sees it.

    Attributes
    ----------
    history : History
    acked : dict of str to int
        Last number done or refused, by browser.
    made : dict of int to (str, str)
        Browser that made each revision, and what kind of step it was.
    message : str
        What to tell the user, or empty.
    owners, undone_owners : list of (str, int)
        For each edit done and taken back: whose it is, and its revision. ``"-"`` is nobody's: an
        edit that takes another back, and the one it took back.
    """

    history: cx.History
    acked: dict[str, int] = field(default_factory=dict)
    made: dict[int, tuple[str, str]] = field(default_factory=dict)
    message: str = ""
    owners: list[tuple[str, int]] = field(default_factory=list)
    undone_owners: list[tuple[str, int]] = field(default_factory=list)

    def copy(self) -> EditSession:
        """The same, to go back to."""
        made = {name: value.copy() for name, value in vars(self).items() if hasattr(value, "copy")}
        return replace(self, **made)

    def follow(self, events: list[Event]) -> None:
        """Take in events already stored, in order of revision."""
        for event in events:
            if event.revision <= self.history.revision:
                continue
            self.history = self.history.step(event.step)
            self.note(event)

    def note(self, event: Event) -> None:
        """Remember who made an event."""
        step = event.step
        kind = str(step["do"]["edit"]) if "do" in step else "undo" if "undo" in step else "redo"
        self.made[event.revision] = (event.client, kind)
        self.acked[event.client] = max(self.acked.get(event.client, 0), event.seq)
        if "do" not in step:
            here, there = self.owners, self.undone_owners
            if kind == "redo":
                here, there = there, here
            there += [here.pop()] if here else []
            return
        self.undone_owners.clear()
        takes_back = int(step["do"].get("takes_back", 0))
        self.owners = [("-", r) if r == takes_back else (who, r) for who, r in self.owners]
        self.owners.append(("-" if takes_back else owner_of(event.client), event.revision))

    def own_undo(self, client: str) -> Mapping[str, Any]:
        """The step that takes back the last edit of this person, whatever others did after it."""
        mine = [i for i, (who, _) in enumerate(self.owners) if who in (owner_of(client), "")]
        if not mine:
            raise UndoRefusedError(NOTHING_OWN)
        if mine[-1] == len(self.owners) - 1:
            return {"undo": True}
        back = cx.inverse(self.history.done[mine[-1]])
        try:
            cx.apply(self.history.sheet, back)
        except cx.StaleEditError as fault:
            raise UndoRefusedError(UNDO_REFUSED) from fault
        return {"do": {**cx.edit_to_json(back), "takes_back": self.owners[mine[-1]][1]}}

    def since(self, revision: int, client: str) -> set[str]:
        """Kinds of step that other browsers made after a revision."""
        later = (self.made.get(r) for r in range(revision + 1, self.history.revision + 1))
        return {made[1] for made in later if made is not None and made[0] != client}


ToEdit = Callable[[cx.Sheet, Mapping[str, Any]], cx.Edit]
"""Turns a request that needs the photo (a limb line, a scale) into an edit of the sheet."""


def take_batch(session: EditSession, batch: Mapping[str, Any], to_edit: ToEdit) -> list[Event]:
    """Do one browser's waiting items in the session; return the events to store.

    Parameters
    ----------
    session : EditSession
        Changed in place; it already follows all that is stored.
    box : mapping
        ``{"client": name, "items": [{"seq": n, WHAT: ...}]}``, where WHAT is ``do``, ``undo``,
        ``redo``, ``line``, ``scale`` or ``again``.
    resolve : callable
        For ``line``, ``scale`` and ``again`` items.

    Returns
    -------
    list of Event
        Empty when all items were known, refused or changed nothing.
    """
    client, items = str(batch.get("client", ""))[:40], batch.get("items", [])
    if not client or not isinstance(items, list):
        return []
    done: list[Event] = []
    for item in sorted(filter(_numbered, items), key=lambda i: int(i["seq"])):
        seq = int(item["seq"])
        if seq <= session.acked.get(client, 0):
            continue
        try:
            step = _step_of(session, client, item, to_edit)
            after = session.history.step(step)
        except FruitcountError as fault:
            session.message = _words(fault)
            session.acked[client] = seq
            continue
        if after.revision == session.history.revision:
            session.acked[client] = seq
            continue
        session.history = after
        done.append(Event(after.revision, client, seq, step))
        session.note(done[-1])
    return done


def _numbered(item: Any) -> bool:
    """Whether this is an item that can be done once: it has its number."""
    return isinstance(item, Mapping) and isinstance(item.get("seq"), int)


def _base(item: Mapping[str, Any], usual: int) -> int:
    base = item.get("base", usual)
    if not isinstance(base, int):
        raise RecordError("The screen sent something unknown.")
    return base


def _step_of(
    session: EditSession, client: str, item: Mapping[str, Any], to_edit: ToEdit
) -> Mapping[str, Any]:
    if "do" in item:
        # read and written anew: only what an edit is made of is ever kept
        return {"do": cx.edit_to_json(cx.edit_from_json(item["do"]))}
    if item.get("undo"):
        return session.own_undo(client)
    if item.get("redo"):
        if session.undone_owners and session.undone_owners[-1][0] not in (owner_of(client), ""):
            raise UndoRefusedError(NOTHING_OWN)
        return {"redo": True}
    if item.get("again"):
        return {"do": cx.edit_to_json(to_edit(session.history.sheet, item))}
    if "line" in item or "scale" in item:
        base = _base(item, session.history.revision)
        what = "line" if "line" in item else "scale"
        if {what, "undo", "redo"} & session.since(base, client):
            raise cx.StaleEditError(f"the {what} has been changed meanwhile")
        return {"do": cx.edit_to_json(to_edit(session.history.sheet, item))}
    raise RecordError("The screen sent something unknown.")


def _words(fault: FruitcountError) -> str:
    if isinstance(fault, cx.StaleEditError) and not isinstance(fault, UndoRefusedError):
        return REFUSED
    return str(fault)
