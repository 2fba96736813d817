"""What limbs' own plans came to, kept beside the records so that a tree is not planned anew."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np

from fruitcount.errors import FruitcountError
from fruitcount.files import written_whole
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.tree.photos import settings_key

# Newest first kept: our choice, some years of a large orchard and about 5 MB.
_MOST = 50_000


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
        self._held = self._read()
        self._new: dict[str, Any] = {}

    def _read(self) -> dict[str, Any]:
        with suppress(OSError, ValueError, KeyError, TypeError, RecursionError):
            body = json.loads(self._path.read_text(encoding="utf-8"))
            return dict(body["answers"]) if body["program"] == program_key() else {}
        return {}

    def __call__(
        self, row: Mapping[str, Any], inputs: GrowerInputs, work: Callable[[], Any]
    ) -> Any:
        """What is kept of this row and these inputs, or worked out now and kept."""
        if not row.get("state"):
            return work()
        key = settings_key(row["state"], inputs)
        if key not in self._held:
            self._held[key] = self._new[key] = work()
        return self._held[key]

    def save(self) -> None:
        """Write what was worked out since, beside what others wrote; the oldest go."""
        if not self._new:
            return
        newest = list({**self._read(), **self._new}.items())[-_MOST:]
        body = {"program": program_key(), "answers": dict(newest)}
        self._new = {}
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
