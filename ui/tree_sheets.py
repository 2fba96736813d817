"""Sheets typed elsewhere: every limb's thickness and group, and random walks, as CSV files."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import streamlit as st
from screen_words import plain

from fruitcount.errors import BadInputError
from fruitcount.tree.facts import TreeFacts, read_limb_sizes, read_walks

__all__ = ["with_sheets"]

_T = TypeVar("_T")


def with_sheets(facts: TreeFacts, name: str) -> TreeFacts:
    """The facts with what sheets tell of a tree; they are read for this visit and not kept."""
    with st.expander("Sheets of limbs or walks (CSV)"):
        limbs = st.file_uploader("Every limb of the tree", type=["csv"], key=f"limbs{name}")
        st.caption(
            "Columns limb and base_diameter_mm; length_mm and group if wanted. Name the limbs as "
            "the photos do."
        )
        if limbs is not None:
            sizes = _read(limbs, lambda path: read_limb_sizes(path, name))
            facts = replace(facts, limb_sizes={**facts.limb_sizes, **(sizes or {})})
        grouped = any(size.group for size in facts.limb_sizes.values())
        if grouped and st.toggle("Limbs stand for those of their group, not by thickness"):
            facts = replace(facts, by_group=True)
        walks = st.file_uploader("Random walks from trunk to tip", type=["csv"], key=f"walk{name}")
        st.caption(
            "Columns walk, fruit, and chance, or diameter_mm with fork_mm: fruit counted by hand "
            "on each piece of the way. Walks then tell the total in place of the photos."
        )
        told = None if walks is None else _read(walks, read_walks)
        return replace(facts, walks=told) if told else facts


def _read(file: Any, read: Callable[[Path], _T]) -> _T | None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sheet.csv"
        path.write_bytes(file.getvalue())
        try:
            return read(path)
        except BadInputError as fault:
            st.error(plain(str(fault).replace(str(path), file.name)))
            return None
