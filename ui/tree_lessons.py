"""What corrected photos teach about the others of a tree: read, offered, put in force, taken back.

Nothing is overwritten. The automatic result stays in the records; what was learned comes to a photo
as one more step of its history, and goes by another one.
"""

from __future__ import annotations

import math
import os
import uuid
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import screen_cache as cache
import screen_engine as engine
from screen_wide import find_wide, has_wide, wide_marks

import fruitcount.corrections as cx
from fruitcount.calibrate import (
    Lesson,
    Proposal,
    Tuning,
    lesson_on_limb,
    propose,
    tuned_on_limb,
    tuning_from_record,
)
from fruitcount.image.card import on_card
from fruitcount.pipeline import detection_threshold
from fruitcount.store.limbs import end_tuning, load_tuning, save_tuning
from fruitcount.store.photo_record import PhotoLine
from fruitcount.tree.run import BatchSettings, run_batch
from fruitcount.types import Fruitlets, Measurement

Tell = Callable[[int, int], None]


def touched(history: cx.History) -> bool:
    """Whether a person changed anything: a step that the program made does not count."""
    return any(not _by_program(edit) for edit in history.done)


def _by_program(edit: cx.Edit) -> bool:
    """A new look or a tuning: several marks taken off and put on at once, none of them by hand."""
    if not isinstance(edit, cx.Many):
        return False
    marks = [e.mark for e in edit.edits if isinstance(e, cx.Add | cx.Remove)]
    marks += [e.after for e in edit.edits if isinstance(e, cx.Change)]
    return bool(marks) and not any(m.by_hand for m in marks)


def is_checked(history: cx.History, doubt_below: float) -> bool:
    """Whether a person corrected the photo to its end: changed something, no doubtful mark left."""
    return touched(history) and not history.sheet.doubtful(doubt_below)


def corrected_keys(lines: Sequence[PhotoLine]) -> list[str]:
    """Photos that were corrected to their end, and so can teach."""
    return [
        line.key
        for line in lines
        if line.numbers
        and is_checked(
            cache.session_of(line.key).history, engine.doubt_below(cache.seen_of(line.key).source)
        )
    ]


def offer(keys: Sequence[str], tell: Tell) -> Proposal:
    """Learn from corrected photos and measure it; nothing is changed.

    Parameters
    ----------
    keys : sequence of str
        From :func:`corrected_keys`. Those found by another source than the first are left out.
    tell : callable
        Told (done, all) after each photo.
    """
    sources = [cache.seen_of(key).source for key in keys]
    mine = [key for key, source in zip(keys, sources, strict=True) if source == sources[0]]
    find_many([cache.records().path(key) for key in mine], tell)
    lessons = [_lesson(key) for key in mine]
    return propose(lessons, detection_threshold(sources[0]))


def _lesson(key: str) -> Lesson:
    wide = wide_marks(cache.records().path(key))
    return lesson_on_limb(cache.decided(key, {}).measurement, wide)


def accept(tree_id: int, proposal: Proposal, lines: Sequence[PhotoLine], tell: Tell) -> int:
    """Put a tuning in force for a tree and for its photos that nobody touched.

    Returns
    -------
    int
        Photos that changed.
    """
    open_to_it = [
        line.key
        for line in lines
        if line.numbers and not touched(cache.session_of(line.key).history)
    ]
    find_many([cache.records().path(key) for key in open_to_it], tell)
    save_tuning(cache.records().store, tree_id, proposal.record())
    return sum(follow_tuning(key, tree_id) for key in open_to_it)


def follow_tuning(key: str, tree_id: int) -> bool:
    """Bring what the tree's corrections taught to one photo, unless a person changed it."""
    kept = load_tuning(cache.records().store, tree_id)
    history = cache.session_of(key).history
    if kept is None or touched(history):
        return False
    measurement, path = cache.seen_of(key), cache.records().path(key)
    tuning = tuning_from_record(kept.body["tuning"])
    if not math.isclose(kept.body["shipped_threshold"], detection_threshold(measurement.source)):
        return False  # learned on marks of the other source of heatmap
    edit = tuned_edit(measurement, history.sheet, (wide_marks(path), tuning), str(kept.id))
    return edit is not None and _keep(key, {"do": cx.edit_to_json(edit)})


def tuned_edit(
    measurement: Measurement, sheet: cx.Sheet, learned: tuple[Fruitlets, Tuning], name: str
) -> cx.Many | None:
    """The step that takes a sheet's marks on the limb to those of a tuning; None for no change.

    Parameters
    ----------
    seen : Measurement
        The automatic result.
    sheet : Sheet
    learned : tuple of (Fruitlets, Tuning)
        The photo's marks down to a low score, and the tuning.
    name : str
        Of the tuning, for the ids of marks that come with it.
    """
    wide, tuning = learned
    wanted = tuned_on_limb(measurement, wide, tuning, detection_threshold(measurement.source))
    here = [m for m in sheet.marks if m.on_limb != 0 and not m.by_hand]
    stay: dict[str, float] = {}
    fresh: list[cx.Edit] = []
    for i, mark in enumerate(cx.sheet_of(replace(measurement, fruitlets=wanted)).marks):
        near = [m for m in sheet.marks if _close(m, mark)]
        stay |= {m.id: mark.score for m in near if m.id not in stay}
        if not near and not on_card(measurement.scale, mark.x_px, mark.y_px, grow=1.5)[0]:
            fresh.append(cx.Add(replace(mark, id=f"t{name}-{i}")))
    edits: list[cx.Edit] = [cx.Remove(m) for m in here if m.id not in stay]
    edits += [
        cx.Change(m, replace(m, score=stay[m.id]), "check")
        for m in here
        if m.id in stay and abs(m.score - stay[m.id]) > 0.005
    ]
    return cx.Many((*edits, *fresh)) if edits or fresh else None


def _close(one: cx.Mark, two: cx.Mark) -> bool:
    return math.hypot(one.x_px - two.x_px, one.y_px - two.y_px) < 0.7 * max(one.r_px, two.r_px)


def restoring(history: cx.History) -> dict[str, Any] | None:
    """The step that takes back what tunings did to a photo; None where they did nothing.

    It is an undo where nothing came after; else marks that a tuning brought go and those that it
    took come back, but for what a person changed since.
    """
    tuned = [edit for edit in history.done if isinstance(edit, cx.Many) and _is_tuning(edit)]
    if not tuned:
        return None
    if _is_tuning(history.done[-1]) and len(tuned) == 1:
        return {"undo": True}
    sheet = history.sheet
    taken = {e.mark.id: e.mark for many in tuned for e in many.edits if isinstance(e, cx.Remove)}
    edits: list[cx.Edit] = []
    for mark in sheet.marks:
        was = history.start.find(mark.id)
        if mark.id.startswith("t") and not mark.by_hand:
            edits.append(cx.Remove(mark))
        elif was is not None and mark != was and mark == replace(was, score=mark.score):
            edits.append(cx.Change(mark, was, "check"))
    edits += [
        cx.Add(mark)
        for mark in (history.start.find(name) for name in taken)
        if mark is not None
        and sheet.find(mark.id) is None
        and not any(m.by_hand and _close(m, mark) for m in sheet.marks)
    ]
    return {"do": cx.edit_to_json(cx.Many(tuple(edits)))} if edits else None


def learned_here(history: cx.History) -> bool:
    """Whether marks of a photo follow what its tree's corrections taught."""
    return any(_is_tuning(edit) for edit in history.done) and restoring(history) is not None


def _is_tuning(edit: cx.Edit) -> bool:
    if not isinstance(edit, cx.Many) or not _by_program(edit):
        return False
    adds = [e.mark.id for e in edit.edits if isinstance(e, cx.Add)]
    return all(name.startswith("t") for name in adds) and not any(
        isinstance(e, cx.SetLine) for e in edit.edits
    )


def take_back(tree_id: int, lines: Sequence[PhotoLine]) -> int:
    """Back to the original settings on all photos of a tree; returns how many changed."""
    end_tuning(cache.records().store, tree_id)
    changed = 0
    for line in lines:
        step = restoring(cache.session_of(line.key).history)
        changed += step is not None and _keep(line.key, step)
    return changed


def _keep(key: str, step: dict[str, Any]) -> bool:
    """Store a step of the program's own, and the result that follows from it."""
    before = cache.session_of(key).history.revision
    item = {"seq": 1, "base": before, **step}
    cache.do_batch(key, {"client": f"learn-{uuid.uuid4().hex[:12]}", "items": [item]})
    if cache.session_of(key).history.revision == before:
        return False
    cache.keep_decided(key)
    return True


# Starting worker processes takes a few seconds: for a few photos it is not worth it. Our choice.
_FEW = 3
_MANY = 8


def workers_for(photos_n: int) -> int:
    """Processes for that many photos: for many, all cores; for few, one is left to the screen.

    At most 4 (our choice): each holds the net and a decoded photo, about 0.7 GB.
    """
    cores = os.cpu_count() or 2
    return max(1, min(4, cores if photos_n >= _MANY else cores - 1))


def batch_settings(photos_n: int, workers: int | None = None) -> BatchSettings:
    """Where that many photos are worked on: here when they are few, else in processes."""
    engine = "serial" if photos_n <= _FEW else "processes"
    return BatchSettings(engine=engine, workers=workers or workers_for(photos_n))


def find_many(paths: Sequence[Path], tell: Tell) -> None:
    """Find the low-score marks of photos that have none kept beside them yet.

    Parameters
    ----------
    paths : sequence of Path
    tell : callable
        Told (done, all) after each photo.
    """
    left: list[str | Path] = [path for path in paths if not has_wide(path)]
    if left:
        run_batch(
            left, find_wide, settings=batch_settings(len(left)),
            progress=lambda now: tell(now.done_n, now.total_n),
        )  # fmt: skip
