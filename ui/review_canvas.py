"""The photo with its marks in the browser: one component, told by data, answering with edits."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import Any

import streamlit as st
from screen_outbox import EditSession
from screen_result import Answer
from screen_shell import canvas_url, read_asset

import fruitcount.corrections as cx

# Steps that the browser can take back by itself, without a connection.
_STEPS_SENT = 24
# The script is a file that the browser keeps: this alone goes out with every edit. One line would
# be taken for a file's name.
_LOADER = f"""const canvas = await import(location.origin + "{canvas_url()}");
export default canvas.default;"""


@lru_cache(maxsize=1)
def _component() -> Any:
    return st.components.v2.component(
        "review_canvas", html=read_asset("canvas.html"), css=read_asset("canvas.css"), js=_LOADER
    )


def canvas_data(
    session: EditSession, key: str, size_px: tuple[int, int], answer: Answer, **more: Any
) -> dict[str, Any]:
    """What the canvas is told: marks as short rows, in the order that the script expects.

    Parameters
    ----------
    session : EditSession
    key : str
        The photo's hash.
    size_px : tuple of int
        Width and height of the upright photo.
    answer : Answer
        The words above it.
    **more
        ``actions`` (mark id to keep, pinch or cut), ``cuts_px`` (strokes across the limb, each x1,
        y1, x2, y2), ``card_px`` (corners of the scale card), ``coins`` (name and diameter in mm),
        ``px_per_mm`` (0 without a scale), ``message`` (shown until the next tap), ``us`` (inches),
        ``doubt_below`` (score under which a mark counts as doubtful), ``busy`` (the photo is still
        being counted: it can be looked at, not corrected).
    """
    names = tuple(cx.Mark.__dataclass_fields__)
    history, sheet = session.history, session.history.sheet

    def steps(edits: Sequence[cx.Edit], owners: Sequence[tuple[str, int]]) -> list[Any]:
        last = list(zip(edits, owners, strict=True))[-_STEPS_SENT:]
        return [[who, cx.edit_to_json(edit)] for edit, (who, _) in last]

    at_first: dict[str, Any] = {
        "actions": {}, "cuts_px": (), "card_px": (), "coins": (), "px_per_mm": 0.0,
        "message": "", "us": False, "doubt_below": 0.5, "busy": False,
    }  # fmt: skip
    return {
        **at_first,
        **more,
        **vars(answer),
        "key": key,
        "url": f"/photo/{key}",
        "width_px": size_px[0],
        "height_px": size_px[1],
        "revision": history.revision,
        "ack": dict(session.acked),
        "marks": [[getattr(mark, name) for name in names] for mark in sheet.marks],
        "line": [list(p) for p in sheet.line_px],
        "done": steps(history.done, session.owners),
        "undone": steps(history.undone, session.undone_owners),
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
