"""What must not stand in the code, and what the packages it rests on must at least be."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from helpers import ROOT

FILES = sorted([*(ROOT / "fruitcount").rglob("*.py"), *(ROOT / "ui").rglob("*.py")])
NEVER_IMPORTED = {"pickle", "cPickle", "dill", "cloudpickle", "shelve", "marshal", "jsonpickle",
                  "joblib", "telnetlib", "ftplib", "xmlrpc"}  # fmt: skip
NEVER_CALLED = {"eval", "exec", "compile", "__import__", "execfile"}
CALLS_OF = {"os": {"system", "popen", "execv", "execl", "spawnl", "spawnv"},
            "yaml": {"load", "load_all", "unsafe_load", "full_load"},
            "tempfile": {"mktemp"}, "np": {"load"}, "numpy": {"load"}, "torch": {"load"},
            "pd": {"read_pickle"}, "cv2": {"FileStorage"}}  # fmt: skip
# a call by name that is safe as it stands there, with what makes it so
ALLOWED = {("torch", "load"): "weights_only=True", ("np", "load"): "allow_pickle=False"}
# the launcher and the web side may open sockets; nothing else talks to a network
ON_THE_NET = {"socket", "urllib.request", "http.client", "requests", "httpx", "aiohttp"}


def _calls(tree: ast.AST) -> list[tuple[str, str, ast.Call]]:
    found = []
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        if isinstance(node.func, ast.Name):
            found.append(("", node.func.id, node))
        elif isinstance(node.func, ast.Attribute) and isinstance(node.func.value, ast.Name):
            found.append((node.func.value.id, node.func.attr, node))
    return found


def _imports(tree: ast.AST) -> set[str]:
    out: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            out.add(node.module)
    return out


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_nothing_dangerous_is_called(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert not {name.split(".")[0] for name in _imports(tree)} & NEVER_IMPORTED
    for owner, name, call in _calls(tree):
        assert owner or name not in NEVER_CALLED, f"line {call.lineno}: {name}"
        if name in CALLS_OF.get(owner, ()):
            assert ALLOWED.get((owner, name), "\0") in ast.unparse(call), f"line {call.lineno}"
        shell = [k for k in call.keywords if k.arg == "shell"]
        assert not shell, f"line {call.lineno}: a shell"
        verify = [k for k in call.keywords if k.arg == "verify"]
        assert not verify, f"line {call.lineno}: an unchecked certificate"
        if owner == "subprocess":  # a list of words, never one line for a shell to take apart
            assert isinstance(call.args[0], (ast.List, ast.Name)), f"line {call.lineno}"


def test_only_the_launcher_talks_to_a_network() -> None:
    found = {p.relative_to(ROOT).as_posix() for p in FILES
             if _imports(ast.parse(p.read_text(encoding="utf-8"))) & ON_THE_NET}  # fmt: skip
    assert found <= {"ui/screen_launch.py"}


def test_no_text_of_a_user_is_shown_as_markup() -> None:
    for path in FILES:
        assert "unsafe_allow_html" not in path.read_text(encoding="utf-8"), path


_MARKUP = (
    r"\beval\(",
    r"new Function",
    r"\.innerHTML\s*=",
    r"\.outerHTML\s*=",
    r"document\.write",
    r"insertAdjacentHTML",
    r"https?://(?!www\.w3\.org)",
)


def test_the_browser_side_makes_no_code_or_markup_out_of_text() -> None:
    for path in sorted((ROOT / "ui" / "assets").glob("*.js")):
        text = path.read_text(encoding="utf-8")
        for word in _MARKUP:
            assert not re.search(word, text), f"{path.name}: {word}"


def test_bandit_finds_nothing() -> None:
    """PyCQA's security linter over all shipped code; exceptions stand in pyproject.toml."""
    pytest.importorskip("bandit", reason="bandit is not installed")
    done = subprocess.run(
        [sys.executable, "-m", "bandit", "-q", "-c", "pyproject.toml", "-r", "fruitcount", "ui"],
        capture_output=True, text=True, cwd=ROOT, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-4000:]


def _bounds() -> dict[str, tuple[str, str]]:
    data = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    out = {}
    for line in data["project"]["dependencies"]:
        match = re.fullmatch(r"([\w-]+)(?:\[\w+\])?>=([\d.]+),<([\d.]+)", line)
        assert match, f"{line}: needs a lower and an upper bound"
        out[match[1]] = (match[2], match[3])
    return out


def _number(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", version)[:4])


# Holes known in the packages that read what a user or a stranger gives, with the version that
# closed them. From the public advisories, recalled from memory, not looked up by this test.
CLOSED_IN = {
    "pillow": ("11.3", "CVE-2025-48379, a write past a buffer; CVE-2024-28219 before it"),
    "opencv-python": ("4.8.1.78", "CVE-2023-4863, libwebp writes past a buffer"),
    "pi-heif": ("1.1", "libheif 1.19 and later: several reads past a buffer"),
    "streamlit": ("1.43.2", "upload kinds checked by the server; CVE-2024-42474 before it"),
    "reportlab": ("3.6.13", "CVE-2023-33733, code run from markup in a paragraph"),
    "sqlalchemy": ("1.3.0", "CVE-2019-7164, SQL through order_by"),
    "numpy": ("1.22", "CVE-2021-41495 and others"),
}


@pytest.mark.parametrize("name", CLOSED_IN)
def test_lower_bounds_shut_out_known_holes(name: str) -> None:
    low, _ = _bounds()[name]
    closed, why = CLOSED_IN[name]
    assert _number(low) >= _number(closed), why
    try:
        here = metadata.version(name)
    except metadata.PackageNotFoundError:
        pytest.skip(f"{name} is not installed here")
    assert _number(here) >= _number(low)


def test_every_dependency_has_both_bounds() -> None:
    for name, (low, high) in _bounds().items():
        assert _number(low) < _number(high), name


def test_no_secret_stands_in_the_code() -> None:
    words = re.compile(r"(?i)api[_-]?key|secret[_-]?key|BEGIN [A-Z ]*PRIVATE|password\s*=\s*['\"]")
    for path in FILES:
        found = words.search(path.read_text(encoding="utf-8"))
        assert not found, f"{path}: {found[0] if found else ''}"
