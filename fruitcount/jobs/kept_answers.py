"""What limbs' own plans came to, kept beside the records so that a season is not planned anew."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import astuple
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np

from fruitcount.errors import FruitcountError
from fruitcount.files import written_whole
from fruitcount.pipeline import Result
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.tree.photos import settings_key
from fruitcount.tree.plan import LimbAnswer, limb_answer


class KeptAnswers:
    """A file of answers; each is found again only by all that it rests on.

    That is the row's ``state`` (what was measured, corrected and read off a caliper), everything
    that the plan was asked with, and the program's own code and species files. A row without
    ``state`` is planned every time.

    Parameters
    ----------
    path : Path
        A file that cannot be read is taken for empty, and one that cannot be written is left.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._held: dict[str, Any] = {}
        self._used: dict[str, Any] = {}
        with suppress(OSError, ValueError, KeyError, TypeError, RecursionError):
            body = json.loads(path.read_text(encoding="utf-8"))
            self._held = dict(body["answers"]) if body["program"] == program_key() else {}
        self._written = set(self._held)

    def __call__(
        self, row: Mapping[str, Any], inputs: GrowerInputs, decided: Callable[[], Result | None]
    ) -> LimbAnswer | None:
        """The answer kept for this row and these inputs, or worked out now and kept."""
        if not row.get("state"):
            return limb_answer(decided())
        key = settings_key(row["state"], inputs)
        if key not in self._held:
            answer = limb_answer(decided())
            self._held[key] = None if answer is None else astuple(answer)
        self._used[key] = values = self._held[key]
        return None if values is None else LimbAnswer(*values)

    def save(self) -> None:
        """Write the answers that were asked for since; others are out of date."""
        if set(self._used) == self._written:
            return
        body = {"program": program_key(), "answers": self._used}
        with suppress(FruitcountError), written_whole(self._path.parent) as draft:
            (draft / self._path.name).write_text(json.dumps(body), encoding="utf-8")


@cache
def program_key() -> str:
    """Changes with every file of the program that an answer may rest on."""
    root = Path(__file__).resolve().parents[1]
    digest = sha256(np.__version__.encode())
    for file in sorted((*root.rglob("*.py"), *root.rglob("*.toml"))):
        digest.update(file.read_bytes())
    return digest.hexdigest()
