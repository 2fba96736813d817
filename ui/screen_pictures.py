"""The photo before and after, side by side, and the limb drawn to scale."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import streamlit as st
from numpy.typing import NDArray
from screen_photos import photo_at

from fruitcount.export.actions import ACTIONS, fruit_actions
from fruitcount.export.draw import mark
from fruitcount.export.limb_diagram import draw_strip
from fruitcount.export.words import cut_lines, load_lines
from fruitcount.image.opencv import cv2
from fruitcount.pipeline import Result

__all__ = ["before_and_after", "show_limb", "show_pictures"]

Picture = NDArray[np.uint8]


def before_and_after(rgb: Picture, result: Result, side_px: int = 1000) -> tuple[Picture, Picture]:
    """The photo with all that hangs there now, and with only what is to stay.

    Parameters
    ----------
    rgb : uint8 array, shape (rows, columns, 3)
    result : Result
    side_px : int
        Long side of each picture. Larger shows more and takes longer to load.
    """
    zoom = side_px / max(rgb.shape[:2])
    resized = cv2.resize(rgb, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA)
    small = np.asarray(resized, np.uint8)
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
    if not seen.limb.found or not plan.crop_count:
        return
    png = draw_strip(seen.fruitlets, seen.limb, plan, load, system=units).png()
    told = [*cut_lines(plan, units), *load_lines(load, units)]
    alt = f"The limb drawn straight: {plan.answer}. {' '.join(f'{line}.' for line in told)}"
    st.image(png, width="stretch", alt=alt)
