"""The photo with its marks in the browser: one component, told by data, answering with edits."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import streamlit as st
from screen_outbox import Desk
from screen_shell import read_asset

import fruitcount.corrections as cx

# One file an idea; the browser gets them as one.
# Steps that the browser can take back by itself, without a connection.
_STEPS_SENT = 24
_SCRIPTS = ("edits", "view", "draw", "outbox", "pointer", "keys", "acts", "main")


def script() -> str:
    """All of the canvas's JavaScript."""
    return "\n".join(read_asset(f"canvas_{name}.js") for name in _SCRIPTS)


@lru_cache(maxsize=1)
def _component() -> Any:
    return st.components.v2.component(
        "review_canvas", html=read_asset("canvas.html"), css=read_asset("canvas.css"), js=script()
    )


@dataclass(frozen=True)
class View:
    """What the canvas shows besides the sheet.

    Attributes
    ----------
    key : str
        The photo's hash.
    width_px, height_px : int
        Size of the upright photo.
    summary, detail : str
        The line above the photo, and a smaller one under it.
    actions : mapping of mark id to {"keep", "pinch", "cut"}
    cuts_px : sequence of (x1, y1, x2, y2)
        Strokes across the limb.
    card_px : sequence of (x, y)
        Corners of the scale card; empty without one.
    coins : sequence of (name, diameter in mm)
    px_per_mm : float
        0 without a scale.
    warnings : sequence of str
        What casts doubt on the answer, most important first; beside it.
    ask, question : str
        The one thing asked in place, as in :class:`screen_result.Answer`.
    message : str
        Shown under the photo until the next tap.
    us : bool
        Inches in place of millimetres.
    doubt_below : float
        Score under which a mark counts as doubtful.
    busy : bool
        The photo is still being counted: it can be looked at, not corrected.
    """

    key: str
    width_px: int
    height_px: int
    summary: str = ""
    detail: str = ""
    actions: Mapping[str, str] = field(default_factory=dict)
    cuts_px: Sequence[Sequence[float]] = ()
    card_px: Sequence[Sequence[float]] = ()
    coins: Sequence[tuple[str, float]] = ()
    px_per_mm: float = 0.0
    warnings: Sequence[str] = ()
    ask: str = ""
    question: str = ""
    message: str = ""
    us: bool = False
    doubt_below: float = 0.5
    busy: bool = False


def canvas_data(desk: Desk, view: View) -> dict[str, Any]:
    """The component's data: marks as short rows, in the order that the script expects."""
    names = tuple(cx.Mark.__dataclass_fields__)
    history, sheet = desk.history, desk.history.sheet

    def steps(edits: Sequence[cx.Edit], owners: Sequence[tuple[str, int]]) -> list[Any]:
        last = list(zip(edits, owners, strict=True))[-_STEPS_SENT:]
        return [[who, cx.edit_to_json(edit)] for edit, (who, _) in last]

    return {
        **vars(view),
        "url": f"/photo/{view.key}",
        "revision": history.revision,
        "ack": dict(desk.acked),
        "marks": [[getattr(mark, name) for name in names] for mark in sheet.marks],
        "line": [list(p) for p in sheet.line_px],
        "done": steps(history.done, desk.owners),
        "undone": steps(history.undone, desk.undone_owners),
    }


def review_canvas(data: Mapping[str, Any], *, key: str, on_outbox: Callable[[], None]) -> None:
    """Put the canvas on the page.

    Parameters
    ----------
    data : mapping
        From :func:`canvas_data`.
    key : str
        Of the component; what it sends lies in ``st.session_state[key].outbox``.
    on_outbox : callable
        Run before the page when the browser has sent edits.
    """
    _component()(key=key, data=dict(data), on_outbox_change=on_outbox)
