"""Pictures and files of a photo or a tree to take away, made only when they are asked for."""

from __future__ import annotations

import json
import mimetypes
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any, cast

import screen_cache as cache
import screen_engine as engine
import streamlit as st
from screen_photos import LARGEST_SIDE_PX, photo_at, shrink
from screen_words import photo_words, units

from fruitcount.export.draw import mark
from fruitcount.export.limb_diagram import draw_strip
from fruitcount.export.picture import annotated_picture
from fruitcount.export.record import result_to_dict, write_coco
from fruitcount.export.report_page import sheet_settings
from fruitcount.export.words import ACTIONS, fruit_actions
from fruitcount.export.work_sheet import write_sheet
from fruitcount.files import write_table
from fruitcount.image.opencv import zoomed
from fruitcount.jobs.tree import plan_of, write_tree_sheet
from fruitcount.jobs.tree_source import TreeSource, answers_beside, record_rows
from fruitcount.load.words import load_lines
from fruitcount.measurement_record import CocoPhoto, plain
from fruitcount.pipeline import Result
from fruitcount.plan.words import cut_lines
from fruitcount.results import ROW_COLUMNS, result_row
from fruitcount.store.photo_record import PhotoLine
from fruitcount.tree.facts import TreeFacts
from fruitcount.tree.plan import TreePlan
from fruitcount.tree.sheet import LimbShare
from fruitcount.types import Measurement, Pixels

Make = Callable[[], bytes]


def by_file(write: Callable[[Path], object], ending: str) -> bytes:
    """Bytes of what a writer puts in a file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"out{ending}"
        write(path)
        return path.read_bytes()


def download_row(files: Mapping[str, tuple[str, Make]], key: str = "") -> None:
    """A row of buttons, by their words: the file's name, and what makes it once one is pressed."""
    with st.container(horizontal=True):
        for words, (file, make) in files.items():
            mime = mimetypes.guess_type(file)[0] or "application/octet-stream"
            st.download_button(words, make, file, mime, key=f"{key}{file}", on_click="ignore")


def show_downloads(
    path: Path, result: Result, units: str, key: str, *, automatic: Measurement | None = None
) -> None:
    """A row of buttons; each file is written when its button is pressed.

    Parameters
    ----------
    path : Path
        The photo.
    result : Result
    units : {"metric", "us"}
    key : str
        Of the buttons.
    automatic : Measurement, optional
        What was seen before corrections by hand; the COCO file carries both.
    """
    measured, decision = result.measurement, result.decision

    def picture() -> bytes:
        drawn = annotated_picture(photo_at(path), result, units=units)
        return shrink(drawn, 2 * LARGEST_SIDE_PX, ".png")

    def table(to: Path) -> None:
        write_table(to, [result_row(result).values()], ROW_COLUMNS)

    def coco(to: Path) -> None:
        write_coco([CocoPhoto(measured, plain(decision.inputs), automatic=automatic)], to)

    sheet = partial(write_sheet, result, units=units)
    stem = "limb-" + measured.sha256[:8]
    files: dict[str, tuple[str, Make]] = {
        "Work sheet (PDF)": (f"{stem}.pdf", partial(by_file, sheet, ".pdf")),
        "Picture": (f"{stem}.png", picture),
        "CSV": (f"{stem}.csv", partial(by_file, table, ".csv")),
        "JSON": (f"{stem}.json", lambda: json.dumps(result_to_dict(result), indent=1).encode()),
        "COCO": (f"{stem}.coco.json", partial(by_file, coco, ".json")),
    }
    download_row(files, key)


def before_and_after(rgb: Pixels, result: Result, side_px: int = 1000) -> tuple[Pixels, Pixels]:
    """The photo with all that hangs there now, and with only what is to stay.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)
    result : Result
    side_px : int
        Long side of each picture. Larger shows more and takes longer to load.
    """
    zoom = side_px / max(rgb.shape[:2])
    small = zoomed(rgb, zoom)
    fruit = result.measurement.fruitlets
    actions = fruit_actions(fruit, result.decision.plan)
    before, after = small.copy(), small.copy()
    ring = ACTIONS["keep"]
    for i, action in enumerate(actions):
        at = (fruit.x_px[i] * zoom, fruit.y_px[i] * zoom, fruit.r_px[i] * zoom)
        if action in ("elsewhere", "yellowing"):
            continue
        mark(before, at, "ring", rgb=ACTIONS["counted"].rgb, width=2)
        if action in ("keep", "counted"):
            mark(after, at, ring.shape, rgb=ring.rgb, width=2)
    return before, after


def show_pictures(path: Path, result: Result, key: str) -> None:
    """The photo before and after, drawn only when it is asked for."""
    if st.toggle("Before and after", key=f"{key}pictures"):
        before, after = before_and_after(photo_at(path).rgb, result)
        plan: Any = result.decision.plan
        now = f"Now: {plan.crop_count} fruit"
        then = f"After: {plan.keep_count} fruit"
        st.image(before, now, width="stretch", alt=now)
        st.image(after, then, width="stretch", alt=then)


def show_limb(result: Result, units: str) -> None:
    """The limb drawn straight, to scale: drawn anew with every edit."""
    seen, plan, load = result.measurement, result.decision.plan, result.decision.load
    known = plan.verdict in ("thin", "leave")
    if not (known and seen.limb.found and plan.crop_count):
        return
    svg = draw_strip(result, units).svg()
    told = [*cut_lines(plan, units), *load_lines(load, units)]
    alt = f"The limb drawn straight: {'. '.join([result.decision.plan.answer, *told])}."
    st.image(svg, width="stretch", alt=alt)


def show_files(
    counted: list[PhotoLine],
    rows: Sequence[Mapping[str, Any]],
    facts: TreeFacts,
    plan: TreePlan | None,
) -> None:
    """Files of the whole tree, made when they are asked for; a sheet where there is a plan."""
    name = str(rows[0]["tree"]) if rows else ""
    limbs = () if plan is None else plan.sheet.limbs
    files: dict[str, tuple[str, Callable[[], bytes]]] = {
        "CSV of all photos": ("tree.csv", lambda: _photo_table(counted, limbs)),
        "JSON": ("tree.json", lambda: _record(counted, name, facts, limbs)),
    }
    if plan is not None:
        how = sheet_settings(units())  # here: the address cannot be asked once a button is pressed

        def sheet() -> bytes:
            source = _source(counted, rows)
            write = partial(write_tree_sheet, plan, source=source, settings=how)
            return by_file(write, ".pdf")

        files = {"Work sheet (PDF)": ("tree.pdf", sheet), **files}
    st.markdown("**Download**")
    download_row(files)


def _photo_table(lines: list[PhotoLine], limbs: Sequence[LimbShare]) -> bytes:
    """A row a photo; behind it what its limb keeps as a part of the tree, and why that differs."""
    shares = {x.name: {"tree_keep_n": x.keep_n, "tree_keep_words": x.keep_words} for x in limbs}
    rows = [
        {**result_row(result_of(p)).values(), "limb": p.limb,
         **shares.get(p.limb or photo_words(p), {})}
        for p in lines
    ]  # fmt: skip
    columns = (*ROW_COLUMNS, "limb", "tree_keep_n", "tree_keep_words")
    return by_file(lambda path: write_table(path, rows, columns), ".csv")


def _record(
    lines: list[PhotoLine], name: str, facts: TreeFacts, limbs: Sequence[LimbShare]
) -> bytes:
    data = [
        {"photo": p.name, "sha256": p.key, "limb": p.limb, "side": p.side, "moment": p.moment,
         "inputs": p.inputs, **p.numbers}
        for p in lines
    ]  # fmt: skip
    sides = [{**asdict(limb), **asdict(limb.whole)} for limb in facts.both_sides]
    hand = [{"seen_n": seen, "true_n": true} for seen, true in facts.seen_true]
    keep = {x.name: {"keep_n": x.keep_n, "keep_words": x.keep_words} for x in limbs}
    body = {"tree": name, "photos": data, "limbs": keep,
            "limbs_from_both_sides": sides, "hand_counts": hand}  # fmt: skip
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
    return cast(TreePlan, held["plan"])


def _source(lines: Sequence[PhotoLine], rows: Sequence[Mapping[str, Any]]) -> TreeSource:
    """The photos as corrected, with their files and what their limbs came to before."""
    store = cache.records().store
    kept = record_rows(store, lines, str(rows[0]["tree"]) if rows else "")
    full = tuple({**one, **row} for one, row in zip(kept, rows, strict=True))
    return TreeSource(full, {}, answers=answers_beside(store))


def result_of(line: PhotoLine) -> Result:
    """A photo's corrected result."""
    return engine.kept_result(cache.records(), line.key)
