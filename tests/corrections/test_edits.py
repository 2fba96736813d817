"""Properties of the pure edit logic: undo of do is identity, replay gives the same state."""

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import fruitcount.corrections as cx
from fruitcount.corrections.edits import KINDS
from fruitcount.errors import RecordError

numbers = st.floats(0, 5000, allow_nan=False, width=32)
points = st.lists(st.tuples(numbers, numbers), max_size=6).map(tuple)
marks = st.builds(
    cx.Mark,
    id=st.integers(0, 30).map(lambda n: f"a{n}"),
    x_px=numbers,
    y_px=numbers,
    r_px=st.floats(1, 300, width=32),
    kind=st.sampled_from(["fruit", "yellowing", "damaged"]),
    on_limb=st.sampled_from([-1, 0, 1]),
    score=st.floats(0, 1, width=32),
    by_hand=st.booleans(),
)
scales = st.builds(
    cx.ScaleChoice,
    source=st.sampled_from(["card", "two points", "coin", "none"]),
    px_per_mm=st.floats(0, 50, width=32),
    points_px=points,
    by_hand=st.booleans(),
)
sheets = st.builds(
    cx.Sheet,
    marks=st.lists(marks, max_size=12, unique_by=lambda m: m.id).map(tuple),
    line_px=points,
    line_by_hand=st.booleans(),
    scale=scales,
)


@st.composite
def fitting_edit(draw, sheet):
    """An edit that fits the sheet."""
    choices = ["add", "line", "scale"] + (["remove", "change", "label"] if sheet.marks else [])
    what = draw(st.sampled_from(choices))
    if what == "add":
        fresh = draw(marks)
        taken = {m.id for m in sheet.marks}
        free = next(n for n in range(1000) if f"hx-{n}" not in taken)
        return cx.Add(cx.Mark(f"hx-{free}", fresh.x_px, fresh.y_px, fresh.r_px, fresh.kind))
    if what == "line":
        return cx.SetLine(sheet.line_px, draw(points), sheet.line_by_hand, True)
    if what == "scale":
        return cx.SetScale(sheet.scale, draw(scales))
    mark = draw(st.sampled_from(sheet.marks))
    if what == "remove":
        return cx.Remove(mark)
    if what == "label":
        return cx.Change(mark, replace(mark, kind=draw(st.sampled_from(KINDS)), on_limb=1), "label")
    moved = cx.Change(mark, replace(mark, x_px=draw(numbers), by_hand=True), "move")
    return draw(st.sampled_from([moved, cx.Many((moved, cx.Remove(moved.after)))]))


@given(st.data(), sheets)
def test_undo_of_do_is_identity(data, sheet):
    edit = data.draw(fitting_edit(sheet))
    assert cx.apply(cx.apply(sheet, edit), cx.inverse(edit)) == sheet
    assert cx.inverse(cx.inverse(edit)) == edit


@settings(deadline=None, max_examples=60)
@given(st.data(), sheets)
def test_any_sequence_of_events_replays_to_the_same_state(data, sheet):
    history, events = cx.History.begin(sheet), []
    for _ in range(data.draw(st.integers(0, 15))):
        act = data.draw(st.sampled_from(["do", "do", "undo", "redo"]))
        event = {act: True}
        if act == "do":
            event = {"do": cx.edit_to_json(data.draw(fitting_edit(history.sheet)))}
        history = history.step(event)
        events.append(json.loads(json.dumps(event)))
    again = cx.History.begin(sheet)
    for event in events:
        again = again.step(event)
    assert again == history
    straight = sheet
    for edit in history.done:
        straight = cx.apply(straight, edit)
    assert straight == history.sheet


@settings(deadline=None)
@given(st.data(), sheets)
def test_all_undone_is_the_start_and_all_redone_is_the_end(data, sheet):
    history = cx.History.begin(sheet)
    for _ in range(6):
        history = history.do(data.draw(fitting_edit(history.sheet)))
    end = history.sheet
    for _ in range(6):
        history = history.undo()
    assert history.sheet == sheet
    assert history.undo() == history
    for _ in range(6):
        history = history.redo()
    assert history.sheet == end
    assert history.revision == 18


@given(st.data(), sheets)
def test_edit_survives_json(data, sheet):
    edit = data.draw(fitting_edit(sheet))
    assert cx.edit_from_json(json.loads(json.dumps(cx.edit_to_json(edit)))) == edit


def test_an_edit_made_on_an_old_picture_is_refused():
    mark = cx.Mark("a1", 10, 10, 5)
    sheet = cx.Sheet((mark,))
    moved = cx.apply(sheet, cx.Change(mark, replace(mark, x_px=20), "move"))
    for late in (cx.Remove(mark), cx.Change(mark, replace(mark, kind="damaged"), "label")):
        with pytest.raises(cx.StaleEditError, match="a1"):
            cx.apply(moved, late)
    with pytest.raises(cx.StaleEditError):
        cx.apply(sheet, cx.Add(mark))
    with pytest.raises(cx.StaleEditError):
        cx.apply(sheet, cx.SetLine(((0, 0),), ()))
    with pytest.raises(cx.StaleEditError):
        cx.apply(sheet, cx.SetScale(cx.ScaleChoice("coin"), cx.ScaleChoice()))


def test_doubtful_marks_come_least_sure_first_and_leave_when_checked():
    sheet = cx.Sheet(
        tuple(cx.Mark(f"a{n}", 1, 1, 5, score=score) for n, score in enumerate((0.9, 0.4, 0.2)))
    )
    assert [m.id for m in sheet.doubtful(0.5)] == ["a2", "a1"]
    first = sheet.marks[2]
    checked = cx.apply(sheet, cx.Change(first, replace(first, by_hand=True), "check"))
    assert [m.id for m in checked.doubtful(0.5)] == ["a1"]


@pytest.mark.parametrize(
    "broken",
    [
        {"edit": "paint"},
        {"edit": "add"},
        {"edit": "add", "mark": {"id": "a"}},
        {"edit": "scale", "before": {"nope": 1}, "after": {}},
        {"edit": "line", "before": [[1]], "after": [], "before_by_hand": 0, "after_by_hand": 1},
    ],
)
def test_broken_edits_are_refused_by_name(broken):
    with pytest.raises(RecordError):
        cx.edit_from_json(broken)


def test_bad_marks_are_refused():
    for bad in ({"r_px": 0.0}, {"x_px": float("nan")}, {"kind": "leaf"}, {"id": ""}):
        with pytest.raises(RecordError):
            cx.Mark(**{"id": "a1", "x_px": 1.0, "y_px": 1.0, "r_px": 5.0} | bad)
    with pytest.raises(RecordError):
        cx.Sheet((cx.Mark("a1", 1, 1, 5), cx.Mark("a1", 2, 2, 5)))
    with pytest.raises(RecordError):
        cx.History.begin(cx.Sheet()).step({"jump": 1})
