"""Files of a whole tree: a table, a record, and the work sheet with each limb's marked picture."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

import screen_cache as cache
import screen_engine as engine
import streamlit as st
from screen_downloads import by_file, download_row, table_bytes
from screen_words import units

from fruitcount.export.report_page import ReportSettings, sheet_settings
from fruitcount.jobs.tree import plan_of, write_tree_sheet
from fruitcount.jobs.tree_source import TreeSource
from fruitcount.pipeline import Result
from fruitcount.store.kept import PhotoLine
from fruitcount.tree.plan import TreeFacts, TreePlan


def show_files(
    counted: list[PhotoLine],
    rows: Sequence[Mapping[str, Any]],
    facts: TreeFacts,
    *,
    with_sheet: bool,
) -> None:
    """Files of the whole tree, made when they are asked for."""
    name = str(rows[0]["tree"]) if rows else ""
    files: dict[str, tuple[str, Callable[[], bytes]]] = {
        "CSV of all photos": ("tree.csv", lambda: table_bytes(list(map(result_of, counted)))),
        "JSON": ("tree.json", lambda: _record(counted, name, facts)),
    }
    if with_sheet:
        how = sheet_settings(units())  # here: the address cannot be asked once a button is pressed

        def sheet() -> bytes:
            return _sheet(counted, rows, facts, how)

        files = {"Work sheet (PDF)": ("tree.pdf", sheet), **files}
    st.markdown("**Download**")
    download_row(files)


def _record(lines: list[PhotoLine], name: str, facts: TreeFacts) -> bytes:
    data = [
        {"photo": p.name, "sha256": p.key, "limb": p.limb, "side": p.side, "moment": p.moment,
         "inputs": p.inputs, **p.numbers}
        for p in lines
    ]  # fmt: skip
    sides = [{**asdict(limb), **asdict(limb.whole)} for limb in facts.both_sides]
    hand = [{"seen_n": seen, "true_n": true} for seen, true in facts.seen_true]
    body = {"tree": name, "photos": data, "limbs_from_both_sides": sides, "hand_counts": hand}
    return json.dumps(body, indent=1, allow_nan=False).encode()


def planned(
    lines: Sequence[PhotoLine], rows: Sequence[Mapping[str, Any]], facts: TreeFacts
) -> TreePlan:
    """The tree's answer as its work sheet gives it, worked out again only when something changed.

    Raises
    ------
    BadInputError
        When no limb was counted, or nothing tells a target.
    """
    held: dict[str, Any] = st.session_state.setdefault("_tree", {})
    now = repr((rows, facts, [(p.inputs, p.numbers) for p in lines]))
    if held.get("of") != now:
        source = _source(lines, rows)
        held.update(of=now, plan=plan_of(source, str(rows[0]["tree"]) if rows else "", facts))
    plan: TreePlan = held["plan"]
    return plan


def _source(lines: Sequence[PhotoLine], rows: Sequence[Mapping[str, Any]]) -> TreeSource:
    """The photos as corrected, with their files."""
    full = [
        {**row, "measurement": result_of(line).measurement, "photo": cache.records().path(line.key)}
        for line, row in zip(lines, rows, strict=True)
    ]
    return TreeSource(tuple(full), {})


def _sheet(
    lines: Sequence[PhotoLine],
    rows: Sequence[Mapping[str, Any]],
    facts: TreeFacts,
    how: ReportSettings,
) -> bytes:
    """The work sheet with each limb's marked picture: that takes a while."""
    source = _source(lines, rows)
    plan = plan_of(source, str(rows[0]["tree"]) if rows else "", facts)
    return by_file(lambda path: write_tree_sheet(plan, path, source=source, settings=how), ".pdf")


def result_of(line: PhotoLine) -> Result:
    """A photo's corrected result."""
    return engine.kept_result(cache.records(), line.key)
