"""The tree page: many photos of one tree, their counts, what to check next, the tree's total."""

from __future__ import annotations

from typing import Any

import screen_cache as cache
import streamlit as st
from screen_photos import photos_in, preview_jpeg
from screen_start import ENDINGS
from screen_words import count_words, photo_words, plain, telling
from tree_count import count_kept, keep_photos, progress_words
from tree_learn import show_learning
from tree_total import show_total

from fruitcount.errors import FruitcountError
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.orchard import load_trees, tree_id_of
from fruitcount.store.photo_record import PhotoLine
from fruitcount.units import season_year

_NEW = "A new tree"
_SIDES = {"": "one side", "front": "front", "back": "back"}
_MOMENTS = {"": "not known", "before": "before thinning", "after": "after thinning"}


@telling
def show() -> None:
    """The page."""
    name = choose_tree()
    if not name:
        st.info("Name the tree first. Then drop the photos of its limbs here, one photo a limb.")
        return
    tree_id = tree_id_of(cache.records().store, name)
    if tree_id is None:
        st.error("That tree is not in the records any more.")
        return
    lines = cache.records().photos(tree_id)
    if lines:
        with st.expander("Add photos", key="add"):
            take_many(tree_id)
    else:
        take_many(tree_id)
    show_problems(tree_id)
    if not lines:
        st.info("No photos of this tree yet. A limb beside a scale card makes a good one.")
        return
    lines = of_season(lines, name)
    left = {line.key: line.name or "photo" for line in lines if not line.numbers}
    spot = st.empty()
    if left and spot.button(f"Count {len(left)} that wait", width="stretch", type="primary"):
        count(left, tree_id, spot)
    show_learning(lines, tree_id)
    show_total(lines, name, lambda: show_photos(lines))


def of_season(lines: list[PhotoLine], name: str) -> list[PhotoLine]:
    """The photos of one season: the newest, or the one chosen where there are several."""
    southern = cache.tree_named(name).southern
    years = {line.key: season_year(line.taken_on, southern=southern) for line in lines}
    known = sorted(set(years.values()), reverse=True)
    year = known[0]
    if len(known) > 1:
        year = st.segmented_control("Season", known, default=year, key=f"year{name}") or year
    return [line for line in lines if years[line.key] == year]


def choose_tree() -> str:
    """The tree in the address, another one, or a new one."""
    names = [tree.name for tree in load_trees(cache.records().store)]
    asked = st.query_params.get("tree", "")
    at = names.index(asked) if asked in names else None
    chosen = st.selectbox("Tree", [*names, _NEW], index=at, placeholder="Choose a tree")
    if chosen in (None, _NEW):
        with st.form("new tree", border=False, clear_on_submit=True):
            new = st.text_input("Or a new tree", placeholder="Row 3, tree 7", max_chars=60).strip()
            if not st.form_submit_button("Add it", width="stretch") or not new:
                return ""
        cache.keep_tree(OrchardTree(new))
        chosen = new
    if chosen != asked:
        st.query_params["tree"] = chosen
        st.rerun()
    return str(chosen)


def take_many(tree_id: int) -> None:
    """Upload, keep and count; each photo's count is kept as soon as it is there."""
    whole = st.toggle("A whole folder (on a computer; phones give single photos)")
    files = st.file_uploader(
        "Photos of this tree, or a zip of them",
        type=[*ENDINGS, "zip"],
        accept_multiple_files="directory" if whole else True,
        key=f"many{tree_id}{whole}{st.session_state.get('_upload', 0)}",
    )
    st.caption(
        "A file name such as 3_front, 3_back, low_before or low_after tells the limb, the side and "
        "the moment, or the code on the scale card tells the limb; else each photo is a limb of "
        "its own."
    )
    if files:
        st.caption(f"{len(files)} arrived whole.")
    spot = st.empty()
    if not files or not spot.button("Count them", width="stretch", type="primary"):
        return
    with spot, st.spinner("Taking in the photos."):
        st.session_state[f"_bad{tree_id}"] = keep_photos(photos_in(files), tree_id)
    lines = cache.records().photos(tree_id)
    st.session_state["_upload"] = st.session_state.get("_upload", 0) + 1
    count({line.key: line.name or "photo" for line in lines if not line.numbers}, tree_id, spot)


def count(photos: dict[str, str], tree_id: int, spot: Any) -> None:
    """Count with a bar in that spot that tells the time left, then show the page anew."""
    bar = spot.progress(0.0, f"Counting {len(photos)} photos.")
    bad = count_kept(
        photos, lambda now: bar.progress(now.done_n / max(1, now.total_n), progress_words(now))
    )
    st.session_state.setdefault(f"_bad{tree_id}", []).extend(bad)
    st.rerun()


def show_problems(tree_id: int) -> None:
    """Photos that could not be used: one row each, until the next upload."""
    for words in st.session_state.get(f"_bad{tree_id}", []):
        st.warning(plain(words), icon=":material/broken_image:")


def doubt_of(line: PhotoLine) -> float:
    """How much a photo deserves a look: 0 after a person checked it."""
    return float(line.numbers.get("doubt_frac") or 0.0)


def show_photos(lines: list[PhotoLine]) -> None:
    """Thumbnails with their counts, most doubtful first, and a way to the next one."""
    lines = sorted(lines, key=lambda p: -doubt_of(p))
    left = [p for p in lines if doubt_of(p) > 0.05]
    if left and st.button(f"Check the next one ({len(left)} to look at)", width="stretch"):
        review_photo(left[0].key)
    with (
        st.expander("The photos, most doubtful first", key="photos"),
        st.container(horizontal=True),
    ):
        for line in lines:
            with st.container(border=True, width=150):
                thumbnail(line)


def thumbnail(line: PhotoLine) -> None:
    """One photo small, its counts, its place on the tree, and a button that opens it."""
    try:
        small = preview_jpeg(cache.records().path(line.key), 320)
        st.image(small, width="stretch", alt=photo_words(line))
    except FruitcountError as fault:
        st.error(plain(str(fault)))
    n = line.numbers.get("count_n")  # how many to keep is the whole tree's to say
    count = count_words(line.numbers) or "Not counted yet" if n is None else f"{n:.0f} fruit"
    st.markdown(f"**{count}**  \n{plain(photo_words(line))}")
    if st.button("Look at it", key=f"tree{line.key}", width="stretch"):
        review_photo(line.key)
    with st.popover("Its limb", width="stretch"):
        place_form(line)


def place_form(line: PhotoLine) -> None:
    """Which limb, from which side, before or after thinning."""
    with st.form(f"place{line.key}", border=False):
        limb = st.text_input("Limb", line.limb, max_chars=40, placeholder="a limb of its own")
        side = st.selectbox(
            "Seen from", list(_SIDES), list(_SIDES).index(line.side), format_func=_SIDES.get
        )
        moment = st.selectbox(
            "Taken", list(_MOMENTS), list(_MOMENTS).index(line.moment), format_func=_MOMENTS.get
        )
        if st.form_submit_button("Save", width="stretch"):
            cache.records().put_on_limb(line.key, limb.strip(), str(side), str(moment))
            st.rerun()


def review_photo(key: str) -> None:
    """Go to the limb page with this photo."""
    st.switch_page(st.session_state["_pages"]["limb"], query_params={"photo": key})
