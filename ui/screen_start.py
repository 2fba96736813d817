"""The first page of a visit: a photo, the camera, or a sample limb to try."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from functools import cache as once
from typing import Any

import screen_cache as cache
import screen_engine as engine
import streamlit as st
from screen_photos import LARGEST_BYTES, PHOTO_ENDINGS, hold, preview_jpeg, shrink
from screen_words import count_words, photo_words, plain

from fruitcount.errors import FruitcountError
from fruitcount.files import sample_folder
from fruitcount.image.photo import read_photo
from fruitcount.store.photo_record import PhotoLine

ENDINGS = [ending[1:] for ending in PHOTO_ENDINGS]
# A middling limb that shows most of what the screen does.
_FIRST_SAMPLE = "peach-18in-crowded"
Go = Callable[[str], None]


def show_start(go: Go) -> None:
    """What this does, and the ways to begin.

    Parameters
    ----------
    go : callable
        Opens the photo of that key.
    """
    st.header("How many fruit should stay on this limb?")
    st.write(
        "Photograph one limb from the side with a printed scale card beside it. "
        "You get a count, how many to keep, which to take off, and where one cut does most of it."
    )
    data = st.file_uploader(
        "Photo of a limb (JPEG, PNG, WebP, TIFF or HEIC)", type=ENDINGS, key="upload",
        max_upload_size=LARGEST_BYTES // 1_000_000
    )  # fmt: skip
    if data is not None:
        take_in(data.getvalue(), data.name, go)
    begin, camera = st.columns(2)
    if begin.button("Try a sample limb", width="stretch", icon=":material/eco:"):
        take_sample(_FIRST_SAMPLE, go)
    with camera.popover("Use the camera here", width="stretch", icon=":material/photo_camera:"):
        st.write(
            "The browser allows this only on this computer itself or over https. On a phone, "
            "the upload above offers its camera, which takes sharper pictures."
        )
        if st.toggle("Open the camera"):
            shot = st.camera_input("Limb with scale card")
            if shot is not None:
                take_in(shot.getvalue(), "camera.jpg", go)
    show_samples(go)
    show_recent(go)


def take_in(data: bytes, name: str, go: Go, species: str = "") -> None:
    """Check that it is a photo by its content, keep it, and open it."""
    try:
        with st.spinner("Taking in the photo."):
            photo = read_photo(data, name=name)
            before = cache.records().photos()[:1]
            key = cache.records().add_photo(data, name)
            if before and not species and cache.records().tree_of(key) is None:
                stay_on_tree(key, before[0])
            # decoded once: what the browser shows first is made from the pixels at hand
            path = cache.records().path(key)
            hold(path, photo)
            preview_jpeg(path)
    except FruitcountError as fault:
        st.error(plain(str(fault)))
        return
    if species and not cache.records().inputs(key):
        st.session_state.setdefault("_facts", {})[key] = {"species": species}
    go(key)


def stay_on_tree(key: str, before: PhotoLine) -> None:
    """Put a new photo on the tree of the one kept before it, if that came today."""
    if before.tree_id is not None and before.saved_at[:10] == date.today().isoformat():
        cache.records().put_in_tree(key, before.tree_id)


@once
def samples() -> dict[str, dict[str, Any]]:
    """The sample photographs by name, each with its title and species; empty in a wheel."""
    folder = sample_folder()
    try:
        told = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["photos"]
    except (OSError, ValueError, KeyError):
        return {}
    return {p["name"]: p for p in told if (folder / p["image"]).is_file()}


def take_sample(name: str, go: Go) -> None:
    """Open a sample, or a drawn limb where there are none."""
    known = samples()
    if known:
        one = known.get(name) or next(iter(known.values()))
        data = (sample_folder() / one["image"]).read_bytes()
        take_in(data, f"sample {one['image']}", go, one["species"])
        return
    from fruitcount.evaluate.synthetic import draw_scene

    photo, _ = draw_scene(7)
    take_in(shrink(photo.rgb, 4096), "sample limb (drawn).jpg", go)


def show_samples(go: Go) -> None:
    """The other samples, by what they show."""
    known = samples()
    if not known:
        return
    chosen = st.selectbox(
        f"Or another sample ({len(known)}, of an invented orchard, drawn by computer)",
        list(known),
        index=None,
        format_func=lambda name: known[name]["title"],
        placeholder="Choose a limb",
    )
    if chosen:
        take_sample(chosen, go)


def show_recent(go: Go) -> None:
    """The last photos, to go on with."""
    lines = cache.records().photos()[:6]
    if not lines:
        st.caption("Nothing here yet. Your photos stay on this computer.")
        return
    st.subheader("Go on with")
    trees = engine.tree_names(cache.records())
    for line in lines:
        told = count_words(line.numbers)
        words = plain(photo_words(line, trees.get(line.tree_id, "")))
        words += f": {told}" if told else ""
        if st.button(words, key=f"open{line.key}", width="stretch"):
            go(line.key)
