"""Files of a whole tree: a table, a record, and the work sheet with each limb's marked picture."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from pathlib import Path

import review_seen as rv
import review_state as rs
import screen_cache as cache
import screen_engine as engine
import streamlit as st
from screen_downloads import by_file, sheet_settings
from screen_outbox import Desk
from screen_photos import photo_at, shrink_jpeg
from screen_store import PhotoLine
from screen_words import units

from fruitcount.batch.whole_tree import TreeAnswer
from fruitcount.errors import FruitcountError
from fruitcount.export.picture import annotated_picture
from fruitcount.export.table import result_row, write_rows
from fruitcount.export.work_sheet import TreeJob, tree_work_sheet
from fruitcount.pipeline import Result

__all__ = ["show_files"]


def show_files(lines: list[PhotoLine], name: str, answer: TreeAnswer | None) -> None:
    """Files of the whole tree, made when they are asked for."""
    counted = [p for p in lines if p.numbers]
    files: list[tuple[str, str, str, Callable[[], bytes]]] = [
        ("CSV of all photos", "tree.csv", "text/csv", lambda: _table(counted)),
        ("JSON", "tree.json", "application/json", lambda: _record(counted, name)),
    ]
    if answer is not None:
        told = answer
        files.insert(
            0,
            ("Work sheet (PDF)", "tree.pdf", "application/pdf", lambda: _sheet(counted, told)),
        )
    st.markdown("**Take away**")
    with st.container(horizontal=True):
        for words, file, mime, make in files:
            st.download_button(words, make, file, mime, on_click="ignore")


def _table(lines: list[PhotoLine]) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "tree.csv"
        write_rows(path, [result_row(result_of(p)) for p in lines])
        return path.read_bytes()


def _record(lines: list[PhotoLine], name: str) -> bytes:
    data = [
        {"photo": p.name, "sha256": p.key, "limb": p.limb, "side": p.side, "moment": p.moment,
         "inputs": p.inputs, **p.numbers}
        for p in lines
    ]  # fmt: skip
    return json.dumps({"tree": name, "photos": data}, indent=1).encode()


def _sheet(lines: list[PhotoLine], answer: TreeAnswer) -> bytes:
    """The tree's work sheet, with each limb's plan and its marked picture."""
    by_name = {f"{p.name or 'photo'} ({p.key[:6]})": p for p in lines}
    plans, pictures = {}, {}
    for limb, files in answer.files.items():
        line = by_name.get(files[0]) if files else None
        if line is None:
            continue
        result = result_of(line)
        plans[limb] = result.decision.plan
        photo = photo_at(cache.records().path(line.key))
        picture = annotated_picture(photo, result, units=units(), long_side_px=1000)
        pictures[limb] = shrink_jpeg(picture, 1000)
    job = TreeJob(
        answer.tree,
        answer.sheet,
        plans=plans,
        pictures=pictures,
        next_limbs=answer.next_limbs,
        size_class=answer.size_class,
    )
    return by_file(lambda p: tree_work_sheet(job, p, settings=sheet_settings(units())), ".pdf")


def result_of(line: PhotoLine) -> Result:
    """A photo's corrected result."""
    seen = cache.records().seen(line.key)
    if seen is None:
        raise FruitcountError(f"{line.name}: not counted yet")
    steps = Desk(rs.History.begin(rv.sheet_of(seen)))
    steps.follow(cache.records().steps(line.key))
    path = cache.records().path(line.key)
    shown = engine.corrected(seen, steps.history.sheet, path, line.inputs)
    return engine.result(shown, line.inputs)
