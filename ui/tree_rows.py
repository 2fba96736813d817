"""A tree's photos as the batch takes them, and what is noticed of those that belong together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from functools import lru_cache
from typing import Any

import numpy as np
import screen_cache as cache
import streamlit as st
from screen_photos import preview_jpeg
from screen_words import plain

from fruitcount.errors import FruitcountError
from fruitcount.image.opencv import cv2
from fruitcount.store.kept import PhotoLine
from fruitcount.tree.count import as_factor_takes
from fruitcount.tree.facts import TreeFacts
from fruitcount.tree.folder import compare_moments
from fruitcount.tree.group import LimbCount, group_limbs
from fruitcount.tree.photos import look_hash, same_looks

__all__ = ["noticed", "rows_of", "show_changes", "show_noticed"]


def rows_of(lines: Sequence[PhotoLine], tree: str) -> list[dict[str, Any]]:
    """One row a counted photo, as the batch's own grouping takes them."""
    rows = []
    for line in lines:
        told = line.numbers.get("verdict") != "cannot tell" or line.numbers.get("count_n")
        rows.append(
            {
                "file": f"{line.name or 'photo'} ({line.key[:6]})",
                "ok": True,
                "photo_id": line.number,
                "tree": tree,
                "limb": line.limb,
                "side": line.side,
                "moment": line.moment,
                "count_n": line.numbers.get("count_n") if told else None,
                "base_diameter_mm": _finite(
                    line.inputs.get("base_diameter_mm") or line.numbers.get("base_diameter_mm")
                ),
                "length_mm": _finite(line.numbers.get("length_mm")),
                "keep_n": line.numbers.get("keep_n") if told else None,
                "on": line.taken_on,
                "look": look_of(line.key),
            }
        )
    return rows


def _finite(value: Any) -> float | None:
    return float(value) if value is not None and math.isfinite(float(value)) else None


def show_changes(rows: list[dict[str, Any]]) -> None:
    """Before against after thinning, for limbs that have photos of both."""
    changes = compare_moments(group_limbs(rows))
    if not changes:
        return
    table = ["| Limb | Before | After | Off |", "|:--|--:|--:|--:|"]
    for (_, limb), c in changes.items():
        table.append(f"| {plain(limb)} | {c.before_n:.0f} | {c.after_n:.0f} | {c.off_n:.0f} |")
    st.markdown("**Before and after thinning**\n\n" + "\n".join(table))


def show_noticed(rows: list[dict[str, Any]], facts: TreeFacts) -> None:
    """What was noticed of photos that belong together: copies, two sides, two moments."""
    words = noticed(rows, facts)
    if words:
        st.markdown("**Noticed**\n\n" + "\n".join(f"- {plain(w)}" for w in words))


def noticed(rows: list[dict[str, Any]], facts: TreeFacts | None = None) -> list[str]:
    """Sentences on photos that show the same, and how they are counted."""
    out: list[str] = []
    for moment in dict.fromkeys(row["moment"] for row in rows):
        part = [row for row in rows if row["moment"] == moment]
        for row, first in zip(part, same_looks([r["look"] for r in part]), strict=True):
            if part[first] is not row:
                out.append(f"{row['file']} looks the same as {part[first]['file']}: counted once.")
    limbs: dict[str, list[LimbCount]] = {}
    for limb in as_factor_takes(group_limbs(rows), facts or TreeFacts()):
        limbs.setdefault(limb.limb, []).append(limb)
    for name, moments in limbs.items():
        for limb in moments:
            if len(limb.files) > 1:
                when = f" {limb.moment} thinning" if limb.moment else ""
                out.append(f"Limb {name}{when} is on {len(limb.files)} photos: {limb.how}.")
        if {"before", "after"} <= {limb.moment for limb in moments}:
            out.append(f"Limb {name} was photographed before and after: compared below.")
    return out


@lru_cache(maxsize=4096)
def look_of(key: str) -> str:
    """Hash of a photo's looks, from its small copy; empty when there is none."""
    with suppress(FruitcountError):
        data = preview_jpeg(cache.records().path(key), 320)
        rgb = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB)
        return look_hash(np.asarray(rgb, np.uint8))
    return ""
