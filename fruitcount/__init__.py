"""From a limb photograph to a keep count for stone-fruit thinning.

The public names load on first use, so that ``fruitcount --help`` stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_PUBLIC = {
    "CountSettings": "fruitcount.pipeline",
    "GrowerInputs": "fruitcount.plan.inputs",
    "Result": "fruitcount.pipeline",
    "count_limb": "fruitcount.pipeline",
    "load_species": "fruitcount.species.model",
    "read_photo": "fruitcount.image.photo",
}

__all__ = ["__version__", *sorted(_PUBLIC)]


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        return getattr(import_module(_PUBLIC[name]), name)
    raise AttributeError(f"module 'fruitcount' has no attribute {name!r}")
