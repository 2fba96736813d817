"""The tree page: many photos of one tree, their counts, what to check next, the tree's total."""

from __future__ import annotations

import json
import math
import tempfile
from datetime import date
from pathlib import Path

import page_limb
import review_seen as rv
import review_state as rs
import screen_cache as cache
import screen_engine as engine
import streamlit as st
from screen_outbox import Desk
from screen_photos import preview_jpeg
from screen_result import numbers
from screen_store import PhotoLine
from screen_uploads import Progress, photos_in, work_through
from screen_words import CAUTIONS, plain, units

from fruitcount.errors import FruitcountError
from fruitcount.export.table import result_row, write_rows
from fruitcount.image import read_photo
from fruitcount.pipeline import Result
from fruitcount.season import OrchardTree
from fruitcount.store.orchard import load_trees, save_tree, tree_id_of
from fruitcount.tree.estimate import Estimate
from fruitcount.tree.more import limbs_to_halve
from fruitcount.tree.ratio import csa_cm2, ratio_total
from fruitcount.units import MM_PER_INCH

__all__ = ["show"]


def show() -> None:
    """The page."""
    st.header("One tree")
    name = choose_tree()
    if not name:
        st.info("Name the tree first. Then drop the photos of its limbs here, one photo a limb.")
        return
    tree_id = tree_id_of(cache.records().store, name)
    if tree_id is None:
        st.error("That tree is not in the records any more.")
        return
    take_many(tree_id)
    lines = cache.records().photos(tree_id)
    if not lines:
        st.info("No photos of this tree yet. A limb beside a scale card makes a good one.")
        return
    show_photos(lines)
    show_total(lines)
    show_files(lines, name)


def choose_tree() -> str:
    """The tree in the address, another one, or a new one."""
    store = cache.records().store
    names = [tree.name for tree in load_trees(store, year=date.today().year)]
    asked = st.query_params.get("tree", "")
    left, right = st.columns(2)
    at = names.index(asked) if asked in names else None
    chosen = left.selectbox("Tree", names, index=at, placeholder="Choose a tree")
    with right.form("new tree", border=False, clear_on_submit=True):
        new = st.text_input("Or a new tree", placeholder="Row 3, tree 7", max_chars=60)
        if st.form_submit_button("Add it", width="stretch") and new.strip():
            save_tree(store, OrchardTree(new.strip()), year=date.today().year)
            chosen = new.strip()
    if chosen and chosen != asked:
        st.query_params["tree"] = chosen
        st.rerun()
    return str(chosen or "")


def take_many(tree_id: int) -> None:
    """Upload, count and keep; each photo is kept as soon as it is counted."""
    whole = st.toggle("Upload a whole folder", help="Needs a computer; phones give single photos.")
    files = st.file_uploader(
        "Photos of this tree, or a zip of them",
        type=[*page_limb.ENDINGS, "zip"],
        accept_multiple_files="directory" if whole else True,
        key=f"many{tree_id}{whole}",
    )
    if not files or not st.button("Count them", width="stretch"):
        return
    bar = st.progress(0.0)

    def tell(now: Progress) -> None:
        bar.progress(now.done_n / max(1, now.total_n), now.words)

    bad = work_through(list(photos_in(files)), lambda n, d: count_one(n, d, tree_id), tell)
    for fault in bad:
        st.warning(plain(str(fault)))
    if not bad:
        st.rerun()


def count_one(name: str, data: bytes, tree_id: int) -> None:
    """Keep one photo and its first result; one that is there already is not counted again."""
    read_photo(data, name=name)
    records = cache.records()
    key = records.add_photo(data, name)
    records.put_in_tree(key, tree_id)
    seen = cache.seen_of(key)
    facts = page_limb.answers_of(key)
    sheet = cache.desk_of(key).history
    shown = engine.corrected(seen, sheet.sheet, records.path(key), facts)
    records.keep_result(key, sheet.revision, facts, numbers(engine.result(shown, facts)))
    preview_jpeg(records.path(key), 320)


def doubt_of(line: PhotoLine) -> float:
    """How much a photo deserves a look: 0 after a person checked it."""
    return float(line.numbers.get("doubt_frac") or 0.0)


def show_photos(lines: list[PhotoLine]) -> None:
    """Thumbnails with their counts, most doubtful first, and a way to the next one."""
    order = st.segmented_control("Sort by", ["doubt", "name", "fruit"], default="doubt")
    keys = {
        "doubt": lambda p: -doubt_of(p),
        "name": lambda p: p.name.casefold(),
        "fruit": lambda p: -(p.numbers.get("crop_count") or 0),
    }
    lines = sorted(lines, key=keys[order or "doubt"])
    left = [p for p in sorted(lines, key=lambda p: -doubt_of(p)) if doubt_of(p) > 0.05]
    if left and st.button(f"Check the next one ({len(left)} to look at)", width="stretch"):
        review_photo(left[0].key)
    with st.container(horizontal=True):
        for line in lines:
            with st.container(border=True, width=164):
                thumbnail(line)


def thumbnail(line: PhotoLine) -> None:
    """One photo small, its counts, and a button that opens it."""
    try:
        small = preview_jpeg(cache.records().path(line.key), 320)
        st.image(small, width="stretch", alt=f"Limb photo {line.name}")
    except FruitcountError as fault:
        st.error(plain(str(fault)))
    told = line.numbers
    st.markdown(
        f"**Keep {told.get('keep_count', '?')} of {told.get('crop_count', '?')}**  \n"
        f"{plain(line.name or 'photo')}"
    )
    if st.button("Look at it", key=f"tree{line.key}", width="stretch"):
        review_photo(line.key)


def review_photo(key: str) -> None:
    """Go to the limb page with this photo."""
    st.switch_page(st.session_state["_pages"]["limb"], query_params={"photo": key})


def show_total(lines: list[PhotoLine]) -> None:
    """Fruit on the whole tree, from the limbs photographed and the thickness of the others."""
    st.subheader("Whole tree")
    us = units() == "us"
    told = [(p, _thickness(p)) for p in lines if p.numbers.get("crop_count") is not None]
    usable = [(p, d) for p, d in told if d is not None]
    words = "in" if us else "mm"
    others = st.text_input(
        f"Thickness at the base of every limb not photographed, {words}",
        placeholder="22, 30, 18",
        help="Measure with a caliper just above the fork. Leave empty when all were photographed.",
    )
    rest = _numbers_in(others)
    if rest is None:
        st.error(f"Write the thicknesses as numbers in {words}, with commas or spaces between.")
        return
    if len(usable) < len(told):
        st.warning(
            f"{len(told) - len(usable)} photos have no limb thickness: they are left out. Type it "
            "on their limb page."
        )
    if not usable:
        return
    rest_mm = [r * MM_PER_INCH if us else r for r in rest]
    show_estimate([p for p, _ in usable], [d for _, d in usable], rest_mm)


def show_estimate(lines: list[PhotoLine], thick_mm: list[float], rest_mm: list[float]) -> None:
    """The total with its interval, and how many more limbs would halve it."""
    fruit = [float(p.numbers["crop_count"]) for p in lines]
    area = csa_cm2([*thick_mm, *rest_mm])
    total = ratio_total(fruit, area[: len(fruit)], all_area_cm2=area)
    keep = ratio_total(
        [float(p.numbers["keep_count"]) for p in lines], area[: len(fruit)], all_area_cm2=area
    )
    with st.container(horizontal=True, gap="large"):
        st.metric("Fruit on the tree", _span(total), width="content")
        st.metric("Keep on the tree", f"{keep.value_n:.0f}", width="content")
        minutes = sum(float(p.numbers.get("work_seconds") or 0) for p in lines) / 60
        st.metric("Work on these limbs, min", f"{max(1, round(minutes))}", width="content")
    if not total.told:
        st.write("How sure cannot be told from one limb: photograph another.")
    elif total.low_n < total.high_n:
        st.write(f"95 % interval: {total.low_n:.0f} to {total.high_n:.0f}, by limb thickness.")
        more = limbs_to_halve(area, list(range(len(fruit))))
        st.write(f"{more.more_n} more limbs would make it about {more.share_frac:.0%} as wide.")
    else:
        st.write("Taken as if these photos show every limb. If not, give the others' thickness.")
    st.caption("Each photo counts as one limb: give a limb photographed twice only once.")
    st.info(CAUTIONS[0], icon=":material/health_and_safety:")


def _span(total: Estimate) -> str:
    return f"about {total.value_n:.0f}" if math.isfinite(total.value_n) else "not told"


def _thickness(line: PhotoLine) -> float | None:
    typed = line.inputs.get("base_diameter_mm") or line.numbers.get("base_diameter_mm")
    return float(typed) if typed and math.isfinite(float(typed)) else None


def _numbers_in(text: str) -> list[float] | None:
    """Numbers in a line of text; None when a part is no positive number."""
    try:
        values = [float(part) for part in text.replace(",", " ").replace(";", " ").split()]
    except ValueError:
        return None
    return values if all(0 < v < 2000 for v in values) else None


def show_files(lines: list[PhotoLine], name: str) -> None:
    """Files of the whole tree."""

    def rows() -> bytes:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "tree.csv"
            write_rows(path, [result_row(result_of(p)) for p in lines])
            return path.read_bytes()

    def record() -> bytes:
        data = [{"photo": p.name, "sha256": p.key, "inputs": p.inputs, **p.numbers} for p in lines]
        return json.dumps({"tree": name, "photos": data}, indent=1).encode()

    with st.container(horizontal=True):
        st.download_button("CSV of all photos", rows, "tree.csv", "text/csv", on_click="ignore")
        st.download_button("JSON", record, "tree.json", "application/json", on_click="ignore")


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
