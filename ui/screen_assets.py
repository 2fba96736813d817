"""The files beside the program that the browser gets."""

from __future__ import annotations

from pathlib import Path

__all__ = ["ASSETS", "read_asset"]

ASSETS = Path(__file__).resolve().parent / "assets"


def read_asset(name: str) -> str:
    """Text of one of them."""
    return (ASSETS / name).read_text(encoding="utf-8")
