"""Public functions on arrays say which shapes they take and give."""

from __future__ import annotations

import ast
import re

from helpers import ROOT

ARRAY = re.compile(r"\b(FloatArray|IntArray|BoolArray|Pixels|NDArray|F32)\b")


def _takes_or_gives_arrays(function: ast.FunctionDef) -> bool:
    asked = [a.annotation for a in (*function.args.args, *function.args.kwonlyargs)]
    kinds = [ast.unparse(kind) for kind in (*asked, function.returns) if kind is not None]
    return any(ARRAY.search(kind) for kind in kinds)


def test_public_functions_on_arrays_give_shapes():
    silent, asked = [], 0
    for path in sorted((ROOT / "fruitcount").rglob("*.py")):
        if "training" in path.parts:
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for item in tree.body:
            if not isinstance(item, ast.FunctionDef) or item.name.startswith("_"):
                continue
            if _takes_or_gives_arrays(item):
                asked += 1
                if "shape" not in (ast.get_docstring(item) or "").lower():
                    silent.append(f"{path.relative_to(ROOT)}: {item.name}")
    assert asked > 100
    assert not silent, "\n".join(silent)
