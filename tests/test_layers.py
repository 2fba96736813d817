"""A file imports only from layers below its own; no cycles; heavy packages stay in their place."""

from __future__ import annotations

import ast
import graphlib
from pathlib import Path

import pytest
from helpers import ROOT

PACKAGE = ROOT / "fruitcount"

LAYERS: list[tuple[str, ...]] = [
    ("errors", "flags"),
    ("files", "units"),
    ("types",),
    ("lines", "measurement_record"),
    ("species",),
    ("image",),
    ("whole_photo",),
    ("detect", "limb"),
    ("plan", "season"),
    ("load",),
    ("pipeline",),
    ("results",),
    ("corrections",),
    ("tree", "store"),
    ("evaluate",),
    ("calibrate",),
    ("views",),
    ("export",),
    ("jobs",),
    ("training", "cli"),
    ("__init__", "__main__"),
]
RANK = {name: rank for rank, names in enumerate(LAYERS) for name in names}

# A package may be imported in these parts only.
KEPT_IN: dict[str, tuple[str, ...]] = {
    "streamlit": (),
    "ui": (),
    "torch": ("training",),
    "onnx": ("training",),
    "mitsuba": ("training",),
    "drjit": ("training",),
    "click": ("cli",),
    "rich": ("cli",),
    "icalendar": ("export",),
    "reportlab": ("export",),
    "sqlalchemy": ("store",),
    "pickle": (),
    "marshal": (),
    "shelve": (),
}

FILES = sorted(PACKAGE.rglob("*.py"))


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" and len(parts) > 2 else parts)


def part_of(module: str) -> str:
    pieces = module.split(".")
    return pieces[1] if len(pieces) > 1 else "__init__"


def imports(tree: ast.AST, package: str) -> set[str]:
    """Every module imported anywhere in a tree of a package, submodules where they exist."""
    out: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            above = package.split(".")[: len(package.split(".")) - node.level + 1]
            base = ".".join([*above, node.module] if node.module else above)
            base = base if node.level else (node.module or "")
            out.add(base)
            for alias in node.names:
                as_path = ROOT.joinpath(*base.split("."), alias.name)
                if as_path.with_suffix(".py").is_file() or (as_path / "__init__.py").is_file():
                    out.add(f"{base}.{alias.name}")
    return out


def package_of(path: Path) -> str:
    return ".".join(path.parent.relative_to(ROOT).parts)


TREES = {module_of(path): ast.parse(path.read_text(encoding="utf-8")) for path in FILES}
PACKAGES = {module_of(path): package_of(path) for path in FILES}


def test_every_part_has_a_layer() -> None:
    assert {part_of(module) for module in TREES} <= set(RANK), "name the new part in LAYERS"


def test_imports_only_from_below() -> None:
    wrong = []
    for module, tree in TREES.items():
        part = part_of(module)
        for name in imports(tree, PACKAGES[module]):
            other = part_of(name)
            if name.startswith("fruitcount.") and other not in (part, "__init__"):
                below = RANK.get(other, len(LAYERS)) < RANK.get(part, -1)
                wrong += [] if below else [f"{module} imports {name}"]
    assert not wrong, "\n".join(sorted(wrong))


def test_heavy_packages_stay_in_their_place() -> None:
    wrong = []
    for module, tree in TREES.items():
        for name in imports(tree, PACKAGES[module]):
            allowed = KEPT_IN.get(name.split(".")[0])
            if allowed is not None and part_of(module) not in allowed:
                wrong.append(f"{module} imports {name}")
    assert not wrong, "\n".join(sorted(wrong))


def test_writers_decide_nothing() -> None:
    """From where numbers are worked out an export takes types only, never a function."""
    deciding = ("plan", "load", "tree", "pipeline", "corrections", "limb", "detect")
    wrong = []
    for path in sorted((PACKAGE / "export").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and part_of(node.module or "") in deciding:
                # names on a card, and sentences of numbers worked out before
                if (node.module or "").endswith((".card_code", ".words")):
                    continue
                wrong += [f"{path.name}: {a.name}" for a in node.names if a.name[0].islower()]
    assert not wrong, "\n".join(wrong)


def test_nothing_is_evaluated() -> None:
    wrong = [
        f"{module}: {node.func.id}"
        for module, tree in TREES.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ("eval", "exec", "__import__")
    ]
    assert not wrong


def test_no_import_cycles() -> None:
    graph = {}
    for module, tree in TREES.items():
        # Imports inside functions do not run at load time and cannot make a cycle there.
        top = ast.Module([n for n in tree.body if isinstance(n, ast.Import | ast.ImportFrom)], [])
        found = {name for name in imports(top, PACKAGES[module]) if name in TREES}
        # "from package import module" needs the module; the package itself is then loading.
        graph[module] = {n for n in found if n != module and not module.startswith(f"{n}.")}
    try:
        list(graphlib.TopologicalSorter(graph).static_order())
    except graphlib.CycleError as error:
        pytest.fail(f"import cycle: {' -> '.join(error.args[1])}")


def test_the_screen_reaches_into_public_parts_only() -> None:
    """Names with a leading underscore belong to their own part."""
    for path in sorted((ROOT / "ui").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("fruitcount"):
                private = [a.name for a in node.names if a.name.startswith("_")]
                assert not private, f"{path.name} imports {private} from {node.module}"


def test_the_screen_writes_no_table_itself() -> None:
    for path in sorted((ROOT / "ui").rglob("*.py")):
        names = imports(ast.parse(path.read_text(encoding="utf-8")), "ui")
        assert not {n for n in names if n.startswith(("fruitcount.store.tables", "sqlalchemy"))}
