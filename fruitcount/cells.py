"""Cells of a table that a spreadsheet may open."""

from __future__ import annotations

from typing import Any

__all__ = ["FORMULA_STARTS", "safe_cell"]

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""First characters by which spreadsheets take a text for a formula."""


def safe_cell(value: Any) -> Any:
    """Keep a text from being run as a formula: a risky first character gets a quote before it."""
    if isinstance(value, str) and value[:1] in FORMULA_STARTS:
        return "'" + value
    return value
