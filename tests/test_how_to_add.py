"""The steps under "How to add" in DEVELOPERS.md, followed to the letter on a copy."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from helpers import ROOT

from fruitcount.evaluate.bench_runs import write_jpeg
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene

TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
HOW = TEXT.split("## How to add")[1].split("\n## ")[0]
# A block says in its first line which file it is, and where in it if it is not the whole.
BLOCKS = re.findall(r"```python\n# (\S+?)(?:, (in) (\w+))?\n(.*?)```", HOW, re.DOTALL)


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the package with every block of the text put where the text says."""
    root = tmp_path_factory.mktemp("copy")
    leave = shutil.ignore_patterns("__pycache__", "training")
    shutil.copytree(ROOT / "fruitcount", root / "fruitcount", ignore=leave)
    shutil.copytree(ROOT / "tests" / "species", root / "tests" / "species")
    for name in ("test_contracts.py", "helpers.py"):
        shutil.copy(ROOT / "tests" / name, root / "tests" / name)
    shutil.copy(ROOT / "pyproject.toml", root)
    assert len(BLOCKS) == 5
    for name, where, anchor, code in BLOCKS:
        path = root / name
        if not where:
            assert not path.exists(), "the example must be a new file"
            path.write_text(code, encoding="utf-8")
            continue
        old = path.read_text(encoding="utf-8")
        path.write_text(_put(old, where, anchor, code), encoding="utf-8")
    _import_into(root / "fruitcount" / "detect" / "heatmap.py", "contrast", "contrast_maps")
    peach = (root / "fruitcount" / "species" / "peach.toml").read_text(encoding="utf-8")
    mine = peach.replace('name = "peach"', 'name = "wall-peach"')
    mine = mine.replace('title = "Peach"', 'title = "Peach on a wall"')
    (root / "fruitcount" / "species" / "wall-peach.toml").write_text(mine, encoding="utf-8")
    write_jpeg(root / "photo.jpg", draw_scene(1, SceneSettings())[0])
    return root


def _put(old: str, where: str, anchor: str, code: str) -> str:
    start = re.search(rf"^{anchor}\b.*?=", old, re.MULTILINE)
    assert start is not None, anchor
    if where == "before":
        return old[: start.start()] + code + "\n\n" + old[start.start() :]
    opened = old.index("{", start.end())
    return f"{old[: opened + 1]}\n{code.rstrip()}\n{old[opened + 1 :].lstrip()}"


def _import_into(path: Path, module: str, name: str) -> None:
    old = path.read_text(encoding="utf-8")
    line = f"from fruitcount.detect.heatmap_{module} import {name}\n"
    first = "from fruitcount.detect.heatmap_cnn"
    path.write_text(old.replace(first, line + first, 1), encoding="utf-8")


def _run(root: Path, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, *words], cwd=root, capture_output=True, text=True, check=False,
        env=os.environ | {"PYTHONPATH": str(root)}, encoding="utf-8",
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_the_new_source_and_export_pass_their_contracts(copy: Path) -> None:
    told = _run(
        copy, "-m", "pytest", "-q", "-p", "no:cacheprovider", "tests/test_contracts.py",
        "-k", "contrast or points",
    )  # fmt: skip
    assert re.search(r"\b\d\d passed", told), told
    assert "skipped" not in told


def test_the_new_species_passes_its_contract(copy: Path) -> None:
    told = _run(copy, "-m", "pytest", "-q", "-p", "no:cacheprovider", "tests/species", "-k", "wall")
    assert re.search(r"\b[1-9] passed", told), told
    assert "Peach on a wall" in _run(copy, "-m", "fruitcount", "species", "wall-peach")


def test_the_command_line_knows_all_three(copy: Path) -> None:
    words = ["--source", "contrast", "--species", "wall-peach", "--also", "points"]
    _run(copy, "-m", "fruitcount", "count", "photo.jpg", *words, "--no-picture", "--out", "out")
    points = (copy / "out" / "photo.points.txt").read_text(encoding="utf-8").splitlines()
    assert len(points) > 5


def test_the_text_names_what_there_is() -> None:
    """Files, tables and commands that the text sends a newcomer to."""
    for name in re.findall(r"`((?:fruitcount|tests|detect|cli)/[\w/]+\.\w+)`", HOW):
        at = ROOT / name if name.startswith(("fruitcount", "tests")) else ROOT / "fruitcount" / name
        assert at.is_file() or "<" in name or name == BLOCKS[0][0], name
    for status in ("published", "derived", "memory", "common practice, no source", "our choice"):
        assert f"`{status}`" in HOW
