"""Open annotation files safely: size limit, text, json, and the words for classes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from fruitcount.errors import BadTruthError
from fruitcount.types import Kind

MAX_TRUTH_BYTES = 64 * 1024 * 1024
"""Largest annotation file that is read; the largest of the open sets used here is under 1 MB."""

KIND_WORDS = {
    "green": Kind.FRUIT,
    "fruit": Kind.FRUIT,
    "yellowing": Kind.YELLOWING,
    "damaged": Kind.DAMAGED,
}


def word_columns(words: list[str]) -> dict[str, Any]:
    """Class words to ``kind`` and ``ignore``; a word that is not ours is fruit."""
    return {
        "kind": [int(KIND_WORDS.get(word, Kind.FRUIT)) for word in words],
        "ignore": [word == "ignore" for word in words],
    }


def read_text(path: Path) -> str:
    """Text of a file, or :class:`BadTruthError` when it is too large or no UTF-8."""
    try:
        if path.stat().st_size > MAX_TRUTH_BYTES:
            raise BadTruthError(f"{path}: over {MAX_TRUTH_BYTES} bytes")
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise BadTruthError(f"{path}: cannot be read as text ({error})") from error


def read_json(path: Path) -> dict[str, Any]:
    """Object of a json file, or :class:`BadTruthError` when it holds anything else."""
    try:
        data = json.loads(read_text(path))
    except (ValueError, RecursionError) as error:
        raise BadTruthError(f"{path}: not json ({error})") from error
    if not isinstance(data, dict):
        raise BadTruthError(f"{path}: must be a json object, got {type(data).__name__}")
    return data
